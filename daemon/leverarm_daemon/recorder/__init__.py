"""From frames to pulls, and from pulls to the store."""
