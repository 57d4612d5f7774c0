"""`python -m layerblend` is the `layerblend` command."""

from layerblend.cli import main

main()
