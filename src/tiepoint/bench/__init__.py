"""The simulated station: a camera, a print and parts with exact truth."""
