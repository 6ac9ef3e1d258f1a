"""The demo: an invented operator with half a year of weekly rounds, every verdict computed by the model."""

from data_tools.demo.build import DemoReport, build_demo, demo_settings, is_there, make_demo

__all__ = ["DemoReport", "build_demo", "demo_settings", "is_there", "make_demo"]
