"""Tall letters for what is to be done, read from two metres away; and a shape for each kind of it.

A letter is five dots high and three wide (M and W five); a dot is one cell of the terminal, or more where
there is room. Words that do not fit are not drawn: the caller writes them as they are.
"""

from __future__ import annotations

from functools import lru_cache

HIGH = 5
_BETWEEN_LINES = 1

_FONT = {
    "A": "### #.# ### #.# #.#",
    "B": "##. #.# ##. #.# ##.",
    "C": "### #.. #.. #.. ###",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "G": "### #.. #.# #.# ###",
    "H": "#.# #.# ### #.# #.#",
    "I": "### .#. .#. .#. ###",
    "J": "..# ..# ..# #.# ###",
    "K": "#.# #.# ##. #.# #.#",
    "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..",
    "Q": "### #.# #.# ### ..#",
    "R": "### #.# ##. #.# #.#",
    "S": "### #.. ### ..# ###",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "V": "#.# #.# #.# #.# .#.",
    "W": "#...# #...# #.#.# ##.## #...#",
    "X": "#.# #.# .#. #.# #.#",
    "Y": "#.# #.# .#. .#. .#.",
    "Z": "### ..# .#. #.. ###",
    "0": ".#. #.# #.# #.# .#.",
    "1": ".#. ##. .#. .#. ###",
    "2": "##. ..# .#. #.. ###",
    "3": "### ..# .## ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ##. ..# ##.",
    "6": ".## #.. ### #.# ###",
    "7": "### ..# .#. .#. .#.",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ##.",
    "/": "..# ..# .#. #.. #..",
    "°": "### #.# ### ... ...",
    ".": "... ... ... ... .#.",
    " ": "... ... ... ... ...",
}
_SHAPES = {
    "forward": "..#.. ..##. ##### ..##. ..#..",
    "back": "..#.. .##.. ##### .##.. ..#..",
    "rock": "..#...#.. .##...##. ######### .##...##. ..#...#..",
    "good": "......# .....## #...##. ##.##.. .###...",
    "again": "##.## ##.## ##.## ..... ##.##",
    "wait": "##.## ##.## ##.## ##.## ##.##",
    "stop": "#...# .#.#. ..#.. .#.#. #...#",
    "mark": "..#.. .###. ##### .###. ..#..",
    "turn": ".###. #...# #.### #..#. .##..",
    "end": "##### ##### ##### ##### #####",
}


@lru_cache(maxsize=32)
def tall(words: str, shape: str, width: int, height: int) -> tuple[str, ...] | None:
    """Words in capitals behind the shape of their kind, as lines; None where they do not fit.

    The largest of these that fits: one line of letters of double size, two lines of wide ones, one line of
    wide ones, one line of narrow ones.
    """
    first, _, rest = words.partition(" ")
    for lines, wide, high in (((words,), 4, 2), ((first, rest), 2, 1), ((words,), 2, 1), ((words,), 1, 1)):
        drawn = _lines(tuple(one for one in lines if one), shape, wide, high)
        if len(drawn) <= height and max(map(len, drawn)) <= width:
            return drawn
    return None


def _lines(words: tuple[str, ...], shape: str, wide: int, high: int) -> tuple[str, ...]:
    drawn: list[str] = []
    for number, word in enumerate(words):
        glyphs = [_FONT.get(letter, _FONT[" "]).split() for letter in word.upper()]
        sign = _SHAPES[shape].split()
        head = sign if number == 0 else ["." * len(sign[0])] * HIGH
        if drawn:
            drawn += [""] * _BETWEEN_LINES
        for row in range(HIGH):
            dots = f"{head[row]}...{'.'.join(glyph[row] for glyph in glyphs)}"
            drawn += ["".join(("█" if dot == "#" else " ") * wide for dot in dots)] * high
    return tuple(drawn)
