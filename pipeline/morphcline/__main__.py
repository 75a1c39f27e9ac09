"""``python -m morphcline``: the same as the ``morphcline`` command."""

from morphcline.cli import main

if __name__ == "__main__":
    main()
