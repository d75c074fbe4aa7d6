"""The bedside page: what is to be done, on a tablet, and entries from it."""
