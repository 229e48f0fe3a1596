"""Decisions about calibration: how long the frequency stays within tolerance."""
