"""Page: see review_app.errands.models."""

from review_app.errands.models import show

show()
