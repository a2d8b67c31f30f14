"""Provisions of the code, one function each: Inputs and Steps in, a Step or a Check out.

Every function takes the edition explicitly, computes on the float `.value` of what it is given and
names what it used, so that a reader can walk back from any result. No function here reads a file.
"""
