"""Everything on the computer that can stop the engine."""
