"""What a mark or a text is expected to say, and the comparison with what was read."""

from collections.abc import Sequence
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator, model_validator

from tiepoint.foundation.errors import UnusableDocument
from tiepoint.foundation.reasons import Reason
from tiepoint.recipe.context import Said
from tiepoint.recipe.marks_content import Message, meant, shown
from tiepoint.recipe.marks_form import Form, read_form
from tiepoint.recipe.schema import LookingTable
from tiepoint.recipe.tables import Table, said
from tiepoint.recipe.tables import shown as quoted

WAYS = ("text", "one_of", "form", "column", "part_id")
MOST_LETTERS = 8000

Text = Annotated[str, Field(min_length=1, max_length=MOST_LETTERS)]


def _column(raw: Any, info: ValidationInfo) -> Any:
    """Return the text that stands in a column of `variants.csv` for the variant."""
    if not isinstance(raw, str):
        return raw
    row = (info.context or {}).get("row")
    if row is None:
        raise said("", f"takes its text from the column {quoted(raw)}; give --variants and --variant")
    if raw not in row:
        raise said("", f"names the column {quoted(raw)}, which variants.csv does not have")
    if not row[raw]:
        raise said("", f"names the column {quoted(raw)}, which is empty for this variant")
    return row[raw]


class ExpectedTable(Table):
    """What must be read, one of: `text`, exactly this; `one_of`, any of a list; `form`, how it is built, as in
    `LOT {digits:6}`; `column`, the text in that column of `variants.csv`; `part_id`, the number of the part.

    `field`: what is compared is the value of that field of a GS1 or ISO/IEC 15434 message (`01`, `1P`), not the whole.
    Separators are written ␝, ␞ and ␄. A form is text with fields in braces, each of a kind of characters and a count:
    `{digits:6}`, `{capitals:1-3}`, `{from AB12:2}`; the kinds are digits, capitals, smalls, letters, hex,
    capitals_digits, letters_digits, printable and any; `{{` and `}}` are braces themselves.
    """

    text: Text | None = None
    one_of: Annotated[tuple[Text, ...], Field(strict=False, min_length=1, max_length=100_000)] | None = None
    form: Text | None = None
    column: Annotated[str, BeforeValidator(_column)] | None = None
    part_id: bool = False
    field: Annotated[str, Field(min_length=1, max_length=8)] | None = None

    @field_validator("form")
    @classmethod
    def _valid(cls, written: str | None) -> str | None:
        if written is not None:
            try:
                read_form(written)
            except UnusableDocument as error:
                raise said("", str(error)) from None
        return written

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        given = [way for way in WAYS if getattr(self, way)]
        if len(given) != 1:
            words = f"states {' and '.join(given)}" if given else "states nothing"
            raise said("", f"{words}; give one of {', '.join(WAYS)}")
        return self

    @property
    def as_form(self) -> Form | None:
        """The form that is expected; None where it is no form."""
        return None if self.form is None else read_form(self.form)

    @property
    def words(self) -> str:
        """What is expected, for the record."""
        what = self.text or self.form or self.column
        if what is None:
            what = " or ".join(self.one_of[:10]) if self.one_of else "the part's number"
            what += " …" if self.one_of and len(self.one_of) > 10 else ""
        told = shown(meant(what))
        return f"({self.field}) {told}" if self.field else told

    def texts(self, part_id: str | None) -> Sequence[str] | None:
        """Return the texts that may be read; None where a form says it."""
        if self.form is not None:
            return None
        if self.part_id:
            return [] if part_id is None else [part_id]
        written = self.one_of or tuple(filter(None, (self.text, self.column)))
        return [meant(text) for text in written]

    def allows(self, text: str, part_id: str | None) -> bool:
        """Whether a text is one that is expected."""
        texts, form = self.texts(part_id), self.as_form
        return form.matches(text) if form is not None else text in (texts or ())

    def compared(self, message: Message) -> str | None:
        """Return what of a message is compared; None where it lacks the field."""
        return message.text if self.field is None else message.value_of(self.field)


class MarkTable(LookingTable):
    """A step that reads a mark or a text. `expected`: what it must say."""

    expected: ExpectedTable | None = None

    def expects(self, quantity: str) -> str | None:
        """Return what the content is judged by."""
        return self.expected.words if quantity == "content" and self.expected else None


def judged(expected: ExpectedTable | None, message: Message, part_id: str | None) -> Said | Reason:
    """Return what was read, with a verdict where something is expected: what is faulty never conforms."""
    text = shown(message.text)
    if expected is None:
        return Said(text)
    if expected.part_id and part_id is None:
        return Reason("no_part_id")
    words = part_id if expected.part_id and part_id is not None else expected.words
    words = f"({expected.field}) {words}" if expected.part_id and expected.field else words
    compared = expected.compared(message)
    if compared is None:
        return Said(text, "rejected", Reason("content_lacks", {"field": shown(expected.field or "")}), words)
    if not expected.allows(compared, part_id):
        return Said(text, "rejected", Reason("content_differs"), words)
    if message.faults:
        return Said(text, "rejected", Reason("content_faulty", {"detail": message.faults[0].sentence}), words)
    return Said(text, "conforms", None, words)
