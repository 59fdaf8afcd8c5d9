"""Start the sentinel: `python -m pullwatch.sentinel` (done by `pullwatch.sentinel.link`, not by hand)."""

from __future__ import annotations

import sys

from pullwatch.sentinel.process import main

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
