"""Pipes: pitch, scales, construction, dimensions, wall thickness, parts and flat patterns."""
