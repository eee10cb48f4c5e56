"""Contrast of two colours after the Web Content Accessibility Guidelines.

Source: WCAG 2.1 (W3C Recommendation, 5 June 2018), definitions of "contrast ratio" and "relative
luminance". The threshold there is 0.03928; sRGB itself (IEC 61966-2-1) and WCAG 2.2 say 0.04045,
which no 8-bit colour tells apart.
"""


def luminance(colour):
    """Return the relative luminance of '#rrggbb', 0 to 1."""
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    """Return the contrast ratio, 1 to 21."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)
