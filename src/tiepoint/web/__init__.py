"""What a browser or a program sees of a station: an API that only reads, live events, and a first page."""
