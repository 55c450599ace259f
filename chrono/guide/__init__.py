"""The pages of the guide: Markdown files that are installed together with the program.

The script `tests/kits/reference_pages.py` writes the pages `columns`, `flags` and `commands`
from the code: do not edit these three pages by hand.
"""
