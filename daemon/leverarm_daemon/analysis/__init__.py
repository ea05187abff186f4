"""Curves, groups, comparisons: what a person believes afterwards."""
