"""Readings become a map over the mesh cycle: model, fit, tight spot, outliers, where to measure next."""
