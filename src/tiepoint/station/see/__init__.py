"""How a picture looks while camera, lens and lamps are set: sharp, lit, steady, straight, and where it was held."""
