"""Page: see review_app.errands.unit."""

from review_app.errands.unit import show

show()
