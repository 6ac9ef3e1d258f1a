"""Rendered training photos: parametric couplers, damage with a cause, scenes, phone camera, ground truth."""
