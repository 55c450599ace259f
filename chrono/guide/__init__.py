"""The guide: Markdown pages that travel with the program.

`guide_pages` finds them for `chrono guide`. The pages `columns`, `flags` and `commands` are
made by `tests/kits/reference_pages.py`; change what they are made from.
"""
