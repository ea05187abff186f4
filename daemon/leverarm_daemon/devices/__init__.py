"""The slower sensors, one file each."""
