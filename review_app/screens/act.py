"""Page: see review_app.errands.act."""

from review_app.errands import act

act.show()
