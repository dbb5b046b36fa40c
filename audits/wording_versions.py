"""A checklist version in words, where several stand side by side."""

from audits.models import Checklist
from people.tree import Tree


def version_words(row: Checklist, tree: Tree) -> str:
    """Adult, landmark: Steps of the ward, version 3 (Saltmarsh Hospital). The procedure must have been fetched."""
    at = f" ({tree.name(row.unit_id)})" if row.unit_id in tree else ""
    return f"{row.procedure.name}: {row.name}, version {row.version}{at}"
