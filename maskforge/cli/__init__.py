"""The commands, a file each: they parse, call and print."""
