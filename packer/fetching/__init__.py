"""The fetch: from a plan and a pack to a fuller pack, over one door and through one writer."""

from packer.fetching.run import FetchReport, LayerProgress, LayerReport, Options, fetch, pack_path, run_fetch

__all__ = ["FetchReport", "LayerProgress", "LayerReport", "Options", "fetch", "pack_path", "run_fetch"]
