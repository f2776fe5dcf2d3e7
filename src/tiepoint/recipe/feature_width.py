"""The width of the detail that is brought out of a relief where none is stated: read before anything is loaded."""

FEATURE_PX = 8.0
