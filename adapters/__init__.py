"""The outside: one module a kind of source.  An adapter makes events and decides nothing."""
