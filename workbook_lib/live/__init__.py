"""The live study: one home open in a notebook, its fields as a form, every answer beside it.

`fields` says what a site file may hold, `draft` is the file as entered so far, `answers` studies it in processes of their own,
`variants` and `saving` keep what is held, and `form` shows it all. Nothing here computes a result of the trade.
"""
