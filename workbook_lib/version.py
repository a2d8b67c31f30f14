"""Version of the library, printed on every sheet."""

VERSION = "0.6.0"
