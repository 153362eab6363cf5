"""What was found and told, one module a section: key, unit, meaning, place in tables, words on paper."""
