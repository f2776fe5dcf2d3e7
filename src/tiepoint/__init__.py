"""A camera station that can be believed: from a photograph to a millimetre that can be defended."""
