"""Guard, recorder and everything they share."""
