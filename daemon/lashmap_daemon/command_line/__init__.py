"""The command line: arguments and options in, a function of `commands` called; `cli` puts it together."""
