"""Tests of the house rules: layers, style, documents, commands."""
