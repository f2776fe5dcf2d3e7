"""Picture to numbers: edges, corners, dots, fits, size operators."""
