"""``python -m acqd`` is the command line ``acqd``."""

from __future__ import annotations

from acqd.cli import main

if __name__ == "__main__":
    main()
