"""Orientation of sensors: filters over whole recordings, strapdown and smoothing within a swing, joints between two."""

from imuswing.orientation.filters import Method, estimate, estimate_quaternions

__all__ = ["Method", "estimate", "estimate_quaternions"]
