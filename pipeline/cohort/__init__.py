"""Questions to all tests of an archive."""
