"""Aligning a bench: stacks to show, and fits of what comes back."""
