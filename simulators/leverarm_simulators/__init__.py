"""A simulated stand that speaks real bytes. Never imported by the rest."""
