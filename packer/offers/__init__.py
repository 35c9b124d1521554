"""What servers say that they offer: TileJSON and WMTS capabilities, read strictly and kept without keys."""
