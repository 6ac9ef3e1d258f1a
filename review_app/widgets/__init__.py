"""Pieces of screens that several screens share."""
