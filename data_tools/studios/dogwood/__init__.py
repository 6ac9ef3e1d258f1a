"""Couplers as sheets of points: heights for what breaks, displacements for what melts, colours for dirt."""

from data_tools.studios.dogwood.studio import photograph

__all__ = ["photograph"]
