"""How an instrument writes a number, where it is not with a point and the sign in front. Pure."""

from typing import NamedTuple

_MARKS = (".", ",")


class NumberForm(NamedTuple):
    """``decimal`` stands where the decimal point would: ``.``, ``,`` or the text of a unit
    (``3V7``), which then must stand there, behind a digit. With ``sign_after`` the sign stands
    behind the number, and must."""

    decimal: str = "."
    sign_after: bool = False

    def plain(self, text: str) -> str:
        """The same number with a point and its sign in front; empty for text of another form.
        Whether it is a number at all is not judged here."""
        if self.sign_after:
            if text[-1:] not in ("+", "-") or text[:1] in ("+", "-"):
                return ""
            text = text[-1] + text[:-1]
        return text if self.decimal == "." else self._with_point(text)

    def _with_point(self, text: str) -> str:
        whole, found, _ = text.partition(self.decimal)
        if "." in text or (self.decimal not in _MARKS and not (found and whole[-1:].isdigit())):
            return ""
        return text.replace(self.decimal, ".")

    def said(self, digits: str, sign: str) -> str:
        """How an instrument writes the digits (with a point) of a number with that sign; the mirror
        of ``plain``. Behind the number there is always a sign, and a unit always stands."""
        if self.decimal not in _MARKS and "." not in digits:
            digits += "."
        text = digits.replace(".", self.decimal)
        return text + (sign or "+") if self.sign_after else sign + text

    def foreign(self, plain: str) -> str:
        """What is sent: a decimal comma where the instrument writes one."""
        return plain.replace(".", ",") if self.decimal == "," else plain
