"""Records of many stands brought together in one store, and what is asked of them."""
