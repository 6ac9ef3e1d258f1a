"""Page: see review_app.errands.review."""

from review_app.errands.review import show

show()
