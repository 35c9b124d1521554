"""What a tile server is: its addresses, and what it says that it offers (TileJSON, WMTS, WMS, OGC API)."""
