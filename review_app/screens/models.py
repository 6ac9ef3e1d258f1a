"""Page: see review_app.errands.models."""

import streamlit as st

# The statistics take some seconds to load the first time; an empty page would look broken meanwhile.
with st.spinner("Counting"):
    from review_app.errands.models import show

show()
