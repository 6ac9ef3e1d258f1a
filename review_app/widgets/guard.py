"""Nobody meets a traceback: what goes wrong is said in words, and the details go to the log."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager

import streamlit as st

from model.errors import RoundsError
from review_app.widgets.text import md

log = logging.getLogger(__name__)


@contextmanager
def told_plainly() -> Iterator[None]:
    """Show errors of the block as words. Streamlit's signals (rerun, stop) are no ``Exception``."""
    try:
        yield
    except RoundsError as error:
        st.error(md(str(error), 600), icon=":material/error:")
    except Exception:
        log.exception("the page could not be drawn")
        st.error(
            "Something went wrong on our side. What was listed as received or saved is kept. "
            "Reload the page; if it comes back, tell whoever runs this server.",
            icon=":material/error:",
        )
