"""Screens: the live one for a terminal, plain lines for everything else."""
