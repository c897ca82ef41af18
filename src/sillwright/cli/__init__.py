"""The commands, one module each; thin."""
