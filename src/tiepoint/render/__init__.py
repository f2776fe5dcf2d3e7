"""Scene to picture with its exact truth: shares nothing with the rooms that measure."""
