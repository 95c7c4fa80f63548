"""Geometry in metres: local frames, repair, guarded overlay, buffers never too narrow, areas.

The face is the rooms themselves. Arrays in and out; no table, and no name of the trade.
"""

__all__ = ["buffers", "cells", "edges", "frame", "overlay", "shapes", "shared_area"]
