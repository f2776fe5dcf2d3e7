"""The kinds of step, one file each; guests use the same entry point."""
