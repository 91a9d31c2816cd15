"""Benches, fibres and modulators to start from: TOML, classes of parts by their physics."""
