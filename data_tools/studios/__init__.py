"""Labelled photos by other hands, so that the model does not learn one modeller's habits.

Each studio models couplers, damages, dirt, hands, light and places anew from the published geometry, without
a look at ``data_tools.rendering`` or at another studio. ``produce`` makes a set with one of them.
"""
