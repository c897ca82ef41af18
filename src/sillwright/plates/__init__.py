"""From measured bolts to plates: pieces, cuts, holes, shims and what to buy."""
