"""``python -m taptone`` is ``taptone``."""

from taptone.cli import main

if __name__ == "__main__":
    main()
