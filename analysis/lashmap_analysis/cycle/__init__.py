"""The cycle run: angles of both shafts over whole mesh cycles become the lash at every engagement."""
