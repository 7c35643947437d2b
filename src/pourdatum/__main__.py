"""``python -m pourdatum``."""

from pourdatum.cli import main

if __name__ == "__main__":
    main()
