"""Which register this database holds."""

from django.db import transaction

from ledger.models import Act, Register


def this() -> Register:
    """The row of this register; its `uuid` is the namespace of identifiers made here.

    Raises LookupError in a database that was never migrated.
    """
    found = Register.objects.filter(pk=1).first()
    if found is None:
        raise LookupError("This database holds no register yet: run migrate.")
    return found


def is_demo() -> bool:
    """Whether this register was made for show, so that its clock may be moved."""
    return Register.objects.filter(pk=1, demo=True).exists()


@transaction.atomic
def mark_demo() -> None:
    """Mark an empty register as a demo, for good. Raises ValueError once it has acts: real records stay real."""
    if is_demo():
        return
    if Act.objects.exists() or not Register.objects.filter(pk=1, demo=None).update(demo=True):
        raise ValueError("This register already holds records and cannot become a demo.")
