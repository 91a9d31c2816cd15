"""Masks for a launch, and proofs of how good any could be; see `by_name` for the way in."""
