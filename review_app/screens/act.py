"""Page: see review_app.errands.act."""

from review_app.errands.act import show

show()
