"""Injection ratios: parts of water per part of stock."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from ..errors import InputError
from ..text import quoted

if TYPE_CHECKING:
    pass


def injection_ratios(text: str, where: str = "") -> tuple[float, float]:
    """Parts of water per part of stock, least and most: "1:100", "1:80 to 1:120", "1:80-120", "1:100 +/- 10 %"."""
    if match := re.fullmatch(r"\s*1\s*:\s*([\d.,]+)\s*(?:\+/-|\+-|±)\s*([\d.]+)\s*%\s*", text):
        middle = injection_ratio(f"1:{match[1]}", where)
        off = float(match[2]) / 100.0
        if off >= 1.0:
            raise InputError(f"{quoted(text)} goes below zero", where=where, mend='write for example "1:100 +/- 10 %"')
        if middle * (1.0 + off) > 10_000:
            raise InputError(
                f"{quoted(text)} is not an injection ratio", where=where, mend='write "1:100", stock to water'
            )
        return max(1.0, middle * (1.0 - off)), middle * (1.0 + off)
    match = re.fullmatch(r"\s*(1\s*:\s*[\d.,]+?)\s*(?:to|\.\.+|-|–)\s*(?:1\s*:\s*)?([\d.,]+)\s*", text)
    ends = (match[1], f"1:{match[2]}") if match else (text, text)
    low, high = (injection_ratio(end, where) for end in ends)
    if low > high:
        raise InputError(f"{quoted(text)} runs backwards", where=where, mend=f'write "1:{high:g} to 1:{low:g}"')
    return low, high


def injection_ratio(text: str, where: str = "") -> float:
    """Parts of water per part of stock from "1:100"; from 1:1 to 1:10000."""
    match = re.fullmatch(r"\s*1\s*:\s*(\d+|\d{1,2},\d{3})(\.\d+)?\s*", text)
    parts = float(match[1].replace(",", "") + (match[2] or "")) if match else 0.0
    if not 1 <= parts <= 10_000:
        raise InputError(f"{quoted(text)} is not an injection ratio", where=where, mend='write "1:100", stock to water')
    return parts
