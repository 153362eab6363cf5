"""A turning shaft against an indicator becomes runout, held against the lash map."""
