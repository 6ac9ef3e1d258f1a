"""Page: see review_app.errands.send."""

from review_app.errands.send import show

show()
