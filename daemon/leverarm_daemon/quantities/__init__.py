"""Counts and edges to newtons, rpm, torque, power; scalar and pure."""
