"""One photo to what is seen in it, in pixels: cards, chalk, edges, bolts."""
