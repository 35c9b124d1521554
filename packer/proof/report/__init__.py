"""The report: what a verify found, as one page for screen and paper, with pictures."""

from packer.proof.report.writing import PAGE, report_page, write_report

__all__ = ["PAGE", "report_page", "write_report"]
