"""Feasibility before anything is bought: optics and light worked out, and the uncertainty to be expected."""
