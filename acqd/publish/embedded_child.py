"""The process of the embedded broker: ``python -m acqd.publish.embedded_child CONFIG``."""

from __future__ import annotations

import logging
import sys


def main(argv: list[str]) -> None:
    """Run the broker of the TOML file until killed. A Rust panic goes to standard error."""
    from iotcore import Broker

    # Its tracing comes as errors for every packet; what matters is said by a panic or an exit.
    logging.basicConfig(level=logging.CRITICAL)
    Broker(config_path=argv[0]).run_forever()


if __name__ == "__main__":
    main(sys.argv[1:])
