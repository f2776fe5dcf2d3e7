"""Printed targets: drawn, put on paper, found in pictures."""
