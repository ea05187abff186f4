"""`python -m leverarm_api FILE` serves the REST interface and the page."""

import sys

from leverarm_api.app import main

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
