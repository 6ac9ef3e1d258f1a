"""Page: see review_app.errands.unit."""

from review_app.errands import unit

unit.show()
