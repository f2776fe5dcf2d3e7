"""What a browser or a program sees of a station: an API, live events, and the pages."""
