"""A station's memory: what was accepted, what was judged, what people did, and the proof that nothing of it changed."""
