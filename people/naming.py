"""Finding somebody by what is typed: words of the name, or the staff number."""

from django.db.models import Q


def called(text: str, of: str = "") -> Q:
    """Those whose name holds every word, or whose staff number is it; `of` leads to the clinician: 'clinician__'."""
    found = Q()
    for word in text.split():
        found &= Q(**{f"{of}name__icontains": word}) | Q(**{f"{of}staff_number__iexact": word})
    return found
