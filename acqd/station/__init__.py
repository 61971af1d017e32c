"""The service: starts, supervises and stops sweepers, plan, meters, archive and publishing."""
