"""One thin file for each page of the app; the work is done in review_app.widgets and data_tools."""
