"""Several machines fetch for one store: what the planning machine lends to hands, and what a hand does with it."""
