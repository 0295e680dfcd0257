"""The figures of pages, feeds, holds and files, at three hundred open rooms."""
