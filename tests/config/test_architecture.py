"""Imports run one way; here is what import-linter can't see: names in strings, and what hangs on a model."""

import ast
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.apps import apps
from django.conf import settings
from django.db.models import ForeignObjectRel, Model

ROOT = Path(__file__).resolve().parents[2]
CONTRACTS = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]
LAYERS = [layer.split(" | ") for layer in CONTRACTS["contracts"][0]["layers"]]
# These import no Django, so no model either: a name in them is their own.
PURE = [ROOT.joinpath(*module.split(".")) for module in CONTRACTS["contracts"][1]["source_modules"]]
APPS = [app for layer in LAYERS for app in layer]


def above(app: str) -> set[str]:
    """The apps that this one may not know: those of higher layers, and its neighbours in its own."""
    level = next(number for number, layer in enumerate(LAYERS) if app in layer)
    return {other for layer in LAYERS[: level + 1] for other in layer} - {app}


def models_of(labels: set[str]) -> list[type[Model]]:
    return [model for model in apps.get_models(include_auto_created=True) if model._meta.app_label in labels]


def sources(app: str) -> Iterator[tuple[Path, ast.Module]]:
    for path in sorted((ROOT / app).rglob("*.py")):
        if "migrations" not in path.parts:
            yield path.relative_to(ROOT), ast.parse(path.read_text())


def strings(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """The string constants of a module, docstrings left out."""
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
    docstrings = {id(node.body[0].value) for node in ast.walk(tree) if isinstance(node, documented) and is_text(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings:
            yield node.lineno, node.value


def is_text(node: ast.Module | ast.ClassDef | ast.FunctionDef) -> bool:
    return bool(node.body) and isinstance(node.body[0], ast.Expr) and isinstance(node.body[0].value, ast.Constant)


def test_every_package_stands_in_one_layer() -> None:
    packages = {path.parent.name for path in ROOT.glob("*/__init__.py")} - {"tests"}
    assert packages == set(APPS) == set(CONTRACTS["root_packages"])
    assert packages <= set(settings.INSTALLED_APPS)


@pytest.mark.parametrize("app", APPS)
def test_no_key_points_upward_but_to_the_account(app: str) -> None:
    account = settings.AUTH_USER_MODEL.lower()
    upward = [
        f"{model._meta.label}.{field.name} -> {field.related_model._meta.label}"
        for model in models_of({app})
        for field in model._meta.get_fields()
        if field.is_relation and not field.auto_created and isinstance(field.related_model, type)
        if field.related_model._meta.app_label in above(app) and field.related_model._meta.label_lower != account
    ]
    assert upward == []


@pytest.mark.parametrize("app", APPS)
def test_no_string_names_a_model_a_table_or_a_module_of_an_upper_app(app: str) -> None:
    upper = models_of(above(app))
    account = settings.AUTH_USER_MODEL.lower()
    names = {model._meta.label_lower for model in upper} | {model._meta.db_table for model in upper}
    names -= {account, account.replace(".", "_")}
    pattern = re.compile(rf"\b({'|'.join(map(re.escape, sorted(names)))})\b", re.IGNORECASE) if names else None
    modules = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for other in above(app)
        for path in (ROOT / other).rglob("*.py")
    }
    found = [
        f"{path}:{line}: {text[:60]!r}"
        for path, tree in sources(app)
        for line, text in strings(tree)
        if (pattern and pattern.search(text)) or text in modules
    ]
    assert found == []


@pytest.mark.parametrize("app", APPS)
def test_nothing_is_looked_up_by_name_of_app(app: str) -> None:
    found = [
        f"{path}:{node.lineno}: {ast.unparse(node)[:80]}"
        for path, tree in sources(app)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        if ast.unparse(node.func).rpartition(".")[2]
        in ("get_model", "get_app_config", "import_module", "import_string")
        if any(isinstance(each, ast.Constant) and str(each.value).partition(".")[0] in above(app) for each in node.args)
    ]
    assert found == []


def hung_on(app: str) -> set[str]:
    """The names that upper apps' keys hang on models of this app and of those below it."""
    below = set(APPS) - above(app)
    return {
        name
        for model in models_of(below)
        for relation in model._meta.get_fields(include_hidden=True)
        if isinstance(relation, ForeignObjectRel) and relation.related_model._meta.app_label in above(app)
        for name in (relation.get_accessor_name(), None if relation.hidden else relation.field.related_query_name())
        if name and not name.endswith("+")
    }


@pytest.mark.parametrize("app", APPS)
def test_no_app_follows_what_an_upper_app_hangs_on_its_models(app: str) -> None:
    names = hung_on(app)
    lookup = re.compile(rf"(\w+__)?({'|'.join(sorted(names))})(__\w+)?") if names else re.compile("(?!)")
    found = []
    for path, tree in sources(app):
        if any(pure in (ROOT / path).with_suffix("").parents or pure == (ROOT / path).with_suffix("") for pure in PURE):
            continue
        for node in ast.walk(tree):
            followed = isinstance(node, ast.Attribute) and node.attr in names and not is_own(node)
            asked = isinstance(node, ast.keyword) and node.arg and "__" in node.arg and lookup.fullmatch(node.arg)
            if followed or asked:
                found.append(f"{path}:{node.lineno}: {ast.unparse(node)}")
        found += [f"{path}:{line}: {text!r}" for line, text in strings(tree) if "__" in text and lookup.fullmatch(text)]
    assert found == []


def is_own(node: ast.Attribute) -> bool:
    """A module's or an object's own name, which happens to be the same word."""
    return isinstance(node.value, ast.Name) and node.value.id in ("self", "cls")


def test_the_names_that_hang_on_a_clinician_are_known_to_the_test() -> None:
    assert {"insertions", "awards"} <= hung_on("people")
    assert hung_on("config") == set()
