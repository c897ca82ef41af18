"""As-built packages, the store that keeps them, its log and its catalogue. No word here is for people, but errors'."""
