"""The page of a stand: what a browser beside the machine sees of a test, and the little it may ask for."""
