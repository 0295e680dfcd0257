"""The figures of pages, feeds and holds, on an invented firm of three hundred open rooms."""
