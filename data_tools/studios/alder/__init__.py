"""Studio alder: couplers from distance fields, photographed in car parks by people with gloves on."""

from data_tools.studios.alder.photos import STUDIO_SALT, photograph

__all__ = ["STUDIO_SALT", "photograph"]
