"""sillwright: where the anchor bolts stand, from phone photos of a foundation wall."""

__version__ = "0.1.0"
