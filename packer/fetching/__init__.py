"""The fetch: from a plan and a pack to a fuller pack, over one transport and through one writer."""
