"""Page: see review_app.errands.trends."""

from review_app.errands.trends import show

show()
