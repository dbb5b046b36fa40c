"""Names of columns, as spreadsheets count them: A to Z, then AA (bijective base 26); places count from 0."""


def column_index(letters: str) -> int:
    """The place of a column counted from 0: A is 0, AA is 26 (bijective base 26)."""
    number = 0
    for letter in letters.upper():
        number = number * 26 + ord(letter) - 64
    return number - 1


def column_letter(index: int) -> str:
    """The name of a column counted from 0: 0 is A, 26 is AA."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
