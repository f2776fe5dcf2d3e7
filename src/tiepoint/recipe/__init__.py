"""Ordered steps from a shot to a record."""
