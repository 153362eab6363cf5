"""The tables of an export, and reading them back."""
