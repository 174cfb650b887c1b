"""Injection ratios: parts of water per part of stock."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from ..errors import InputError
from ..text import quoted
from .units import volume_l

if TYPE_CHECKING:
    pass


_SHARE = re.compile(r"\s*([\d.]+)\s*(?:%|percent)\s*")
_AS_FRACTION = re.compile(r"\s*1\s*(?:/|to|in)\s*([\d.,]+)\s*")
_PER = re.compile(
    r"\s*([\d.]+(?:\s*/\s*\d+)?\s*[a-z. ]+?)\s*(?:/|\bper\b|\bin\b|\bto\b)\s*([\d.]*)\s*([a-z. ]+?)\s*", re.I
)


def _as_one_to(text: str, where: str) -> str:
    """Other ways to write a ratio as 1:N: "1 to 64", "1/64", "1.5 %" (stock of the water), "2 oz/gal", "1 gal per 100
    gal"; anything else as it is. An ounce of stock is a fluid ounce."""
    if match := _AS_FRACTION.fullmatch(text):
        return f"1:{match[1]}"
    if match := _SHARE.fullmatch(text):
        share = float(match[1]) if match[1].count(".") <= 1 and match[1] != "." else 0.0
        return f"1:{100.0 / share:.10g}" if share > 0.0 else text
    if match := _PER.fullmatch(text):
        stock, water = match[1], f"{match[2] or 1} {match[3]}"
        fluid = re.sub(r"(?<![a-z])(oz|ounces?)\b", "fl oz", stock.replace("fl. oz", "oz").replace("fl oz", "oz"))
        try:
            return f"1:{volume_l(water, where) / volume_l(fluid, where):.10g}"
        except InputError:
            return text
    return text


def injection_ratios(text: str, where: str = "") -> tuple[float, float]:
    """Parts of water per part of stock, least and most: "1:100", "1:80 to 1:120", "1:80-120", "1:100 +/- 10 %"; also
    "1 to 64", "1/64", "1.5 %", "2 oz/gal" and "1 gal per 100 gal".

    >>> injection_ratios("1.5 %")[0], injection_ratios("2 oz/gal")[0], injection_ratios("1 to 64")[0]
    (66.66666667, 64.0, 64.0)
    """
    text = _as_one_to(text, where)
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
    text = _as_one_to(text, where)
    match = re.fullmatch(r"\s*1\s*:\s*(\d+|\d{1,2},\d{3})(\.\d+)?\s*", text)
    parts = float(match[1].replace(",", "") + (match[2] or "")) if match else 0.0
    if not 1 <= parts <= 10_000:
        raise InputError(f"{quoted(text)} is not an injection ratio", where=where, mend='write "1:100", stock to water')
    return parts
