"""Units, frames and poses, sources of uncertainty and their propagation, reasons and errors."""
