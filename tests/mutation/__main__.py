"""`python -m tests.mutation`: see run.py."""

import sys

from tests.mutation.run import main

sys.exit(main())
