"""From a Sheet to what a person reads: text, HTML fragments, figures, pages, results.json, PDF.

Nothing here computes a result of the trade. Numbers are laid out, never changed: where rounding
would hide a failed test or leave a line that does not work out by hand, more digits are printed.
"""
