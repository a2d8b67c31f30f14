"""Version of the library, printed on every sheet."""

VERSION = "0.7.0"
