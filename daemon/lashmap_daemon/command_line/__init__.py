"""The words of the command line, grouped by what they are for; `cli` puts them together."""
