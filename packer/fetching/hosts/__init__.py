"""What a layer's servers are, what they permit, and whether it is they who answer."""
