"""The report: what a verify found, as one page for screen and paper, with pictures."""

from packer.proof.report.writing import PAGE, write_report

__all__ = ["PAGE", "write_report"]
