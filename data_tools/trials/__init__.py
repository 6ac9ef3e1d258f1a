"""Trials of the learning half on labelled photos: what retraining brings at a new site, what it costs, and
whether the order of review pays. Each is a command of its own that writes a report; none is part of daily
work."""
