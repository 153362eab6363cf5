"""The commands; each is imported only when it runs."""
