"""The pages of the guide: Markdown files that are installed together with the program.

The function `guide_pages` finds the pages for the command `chrono guide`. The script
`tests/kits/reference_pages.py` writes the pages `columns`, `flags` and `commands` from the
code. Do not edit these three pages: change the code from which the script makes the pages.
"""
