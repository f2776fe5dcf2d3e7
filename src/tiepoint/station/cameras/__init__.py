"""Where pictures come from: one protocol for every camera, and lamps."""
