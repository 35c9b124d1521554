"""Georeferenced pictures (GeoTIFF and COG): what they show, reading them piece by piece, and cutting tiles from them.

`library` alone loads rasterio, which is an extra.
"""
