"""Solved relations between frames, with sources, provenance and quality on unseen points."""
