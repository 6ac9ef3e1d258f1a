"""The studio "birch": couplers modelled as walls of revolution and lofts, photographed at wall boxes, in
garages and in yards."""

from data_tools.studios.birch.photos import STUDIO_SALT, photograph

__all__ = ["STUDIO_SALT", "photograph"]
