"""The printed formula language: a small, safe subset of Python expressions.

A Step carries its formula as text, for example `first + rest_frac * max(0, connected - first)`.
This module evaluates such a text on numbers (for the proof that text and code agree) and lays it
out for a reader, with symbols or with the numbers put in. Nothing here computes a result.

Allowed: names, numbers, + - * / **, comparisons, `a if condition else b`, parentheses, and the
functions in `FUNCTIONS`. Anything else raises `FormulaError`.
"""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache

from workbook_lib.errors import CalculationFault

GUARD = 1e-9
"""Relative guard against the last bit of floating point arithmetic: 0.1 * 3 * 100 is 30, not 35."""


class FormulaError(CalculationFault):
    """The formula text is outside the language or names something that was not given."""


def round_half_up(value: float) -> float:
    """Whole number nearest to `value`; a fraction of exactly 0.5 goes up, below 0.5 is dropped.

    Parameters: value [any]. Returns: [same unit]. Source: the rounding permission for load
    calculations, 220.5(B) (2026: 120.5(B)), confirmed by Annex D 18,600/240 = 77.5 -> 78.
    """
    return math.floor(value + 0.5 + GUARD * max(1.0, abs(value)))


def next_standard(value: float, sizes: Sequence[float]) -> float:
    """Smallest of `sizes` that is not below `value`, with the last bit of arithmetic guarded.

    Parameters: value [A], sizes ascending [A]. Returns: [A]. Errors: `FormulaError` if `value` is
    above the largest size. Source: 240.6(A) for the list.
    """
    for size in sizes:
        if value <= size * (1 + GUARD):
            return size
    raise FormulaError(f"no standard size is at least {value:g}; the largest is {sizes[-1]:g}")


def previous_standard(value: float, sizes: Sequence[float]) -> float:
    """Largest of `sizes` that is not above `value`, guarded as `next_standard`.

    Parameters: value [A], sizes ascending [A]. Returns: [A]. Errors: `FormulaError` if `value` is
    below the smallest size. Source: 240.6(A) for the list.
    """
    for size in reversed(sizes):
        if value >= size * (1 - GUARD):
            return size
    raise FormulaError(f"no standard size is at most {value:g}; the smallest is {sizes[0]:g}")


def _total(values: Sequence[float]) -> float:
    return math.fsum(values)


FUNCTIONS: dict[str, Callable[..., float]] = {
    "min": min,
    "max": max,
    "sum": _total,
    "count": len,
    "abs": abs,
    "sqrt": math.sqrt,
    "floor": lambda value: float(math.floor(value + GUARD)),
    "ceil": lambda value: float(math.ceil(value - GUARD)),
    "round_half_up": round_half_up,
    "next_standard": next_standard,
    "previous_standard": previous_standard,
}

_BINARY = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv, ast.Pow: operator.pow}
_COMPARE = {ast.Lt: operator.lt, ast.LtE: operator.le, ast.Gt: operator.gt, ast.GtE: operator.ge, ast.Eq: operator.eq}
_SIGNS = {ast.Add: "+", ast.Sub: "−", ast.Mult: "×", ast.Div: "/", ast.Pow: "^"}
_COMPARE_SIGNS = {ast.Lt: "<", ast.LtE: "≤", ast.Gt: ">", ast.GtE: "≥", ast.Eq: "="}
_STRENGTH = {ast.Add: 1, ast.Sub: 1, ast.Mult: 2, ast.Div: 2, ast.Pow: 4}
_READABLE = {"round_half_up": "round to whole", "next_standard": "next standard size", "previous_standard": "standard size below"}


@lru_cache(maxsize=4096)
def parse(text: str) -> ast.expr:
    """Syntax tree of a formula text. Errors: `FormulaError` if the text is not one expression."""
    try:
        return ast.parse(text, mode="eval").body
    except SyntaxError as error:
        raise FormulaError(f"formula {text!r} is not an expression: {error.msg}") from None


def names(text: str) -> frozenset[str]:
    """Names that a formula text uses, functions left out."""
    tree = parse(text)
    called = {node.func.id for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    return frozenset(node.id for node in ast.walk(tree) if isinstance(node, ast.Name)) - called


def evaluate(text: str, values: Mapping[str, object]) -> float:
    """Value of a formula text on the given values (numbers, texts for comparisons, tuples for lists).

    Errors: `FormulaError` for a construct outside the language, an unknown name or a failed operation.
    """
    return _evaluate(parse(text), values, text)


def _evaluate(node: ast.expr, values: Mapping[str, object], text: str):
    match node:
        case ast.Constant(value=value) if isinstance(value, (int, float, str)) and not isinstance(value, bool):
            return value
        case ast.Name(id=name):
            if name not in values:
                raise FormulaError(f"formula {text!r} names {name!r}, which was not given")
            return values[name]
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            return -_evaluate(operand, values, text)
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _BINARY:
            try:
                return _BINARY[type(op)](_evaluate(left, values, text), _evaluate(right, values, text))
            except ZeroDivisionError:
                raise FormulaError(f"formula {text!r} divides by zero") from None
        case ast.Compare(left=left, ops=[op], comparators=[right]) if type(op) in _COMPARE:
            return _COMPARE[type(op)](_evaluate(left, values, text), _evaluate(right, values, text))
        case ast.IfExp(test=test, body=body, orelse=orelse):
            return _evaluate(body if _evaluate(test, values, text) else orelse, values, text)
        case ast.Call(func=ast.Name(id=name), args=args, keywords=[]) if name in FUNCTIONS:
            return FUNCTIONS[name](*(_evaluate(argument, values, text) for argument in args))
    raise FormulaError(f"formula {text!r} uses {ast.unparse(node)!r}, which is outside the language")


def layout(text: str, shown: Mapping[str, str]) -> str:
    """The formula for a reader: signs × and −, and each name replaced by its entry in `shown`.

    With symbols in `shown` it is the formula; with numbers it is the substitution line.
    Errors: `FormulaError` if a name has no entry.
    """
    return _layout(parse(text), shown, text)[0]


def _layout(node: ast.expr, shown: Mapping[str, str], text: str) -> tuple[str, int]:
    """Text and binding strength of a node (9 = needs no parentheses)."""
    match node:
        case ast.Constant(value=value):
            return (f"{value:,}" if isinstance(value, (int, float)) else str(value)), 9
        case ast.Name(id=name):
            if name not in shown:
                raise FormulaError(f"formula {text!r} names {name!r}, which was not given")
            return shown[name], 9
        case ast.UnaryOp(operand=operand):
            return "−" + _bracket(operand, shown, text, 3), 3
        case ast.BinOp(left=left, op=op, right=right):
            strength = _STRENGTH[type(op)]
            tighter = strength + (1 if isinstance(op, (ast.Sub, ast.Div)) else 0)
            return f"{_bracket(left, shown, text, strength)} {_SIGNS[type(op)]} {_bracket(right, shown, text, tighter)}", strength
        case ast.Compare(left=left, ops=[op], comparators=[right]):
            return f"{_layout(left, shown, text)[0]} {_COMPARE_SIGNS[type(op)]} {_layout(right, shown, text)[0]}", 0
        case ast.IfExp(test=test, body=body, orelse=orelse):
            return f"{_layout(body, shown, text)[0]} if {_layout(test, shown, text)[0]}, else {_layout(orelse, shown, text)[0]}", -1
        case ast.Call(func=ast.Name(id="sum"), args=[ast.Name(id=name)]) if name in shown and " + " in shown[name]:
            return shown[name], 1
        case ast.Call(func=ast.Name(id=function), args=args):
            inner = ", ".join(_layout(argument, shown, text)[0] for argument in args)
            return f"{_READABLE.get(function, function)}({inner})", 9
    raise FormulaError(f"formula {text!r} uses {ast.unparse(node)!r}, which is outside the language")


def _bracket(node: ast.expr, shown: Mapping[str, str], text: str, strength: int) -> str:
    laid, own = _layout(node, shown, text)
    return laid if own >= strength else f"({laid})"
