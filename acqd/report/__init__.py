"""The report: an archive's hours as tables, figures and sentences on one page."""
