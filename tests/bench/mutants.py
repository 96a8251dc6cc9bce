"""Small wrong changes to a module's syntax tree, one at a time: a comparison turned round, a sum for a difference.

Only what decides or computes is changed. Annotations, decorators and texts stay: what is said in words is for people to
judge.
"""

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
}
_CALLED = {"min": "max", "max": "min", "any": "all", "all": "any"}
_LEFT_OUT = {"annotation", "returns", "decorator_list", "bases"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: its line (from 1), what stood there, what stands there now, and the whole changed module.

    within: the dotted name of the function or class around it. function: that of the outermost function in whose body
    it is; "" where it is computed when the module is imported, as a default of an argument is too.
    """

    line: int
    within: str
    function: str
    before: str
    after: str
    tree: ast.Module

    @property
    def name(self) -> tuple[str, str, str]:
        """What stays the same when lines move."""
        return self.within, self.before, self.after


@dataclass(frozen=True, slots=True)
class _Place:
    """A node, and the way to it from the tree's root: fields' names, and indices in lists."""

    node: ast.expr | ast.stmt
    path: tuple[str | int, ...]
    within: str
    function: str


def mutants(source: str) -> Iterator[Mutant]:
    """Every mutant of a module's source, in the order of its lines."""
    tree = ast.parse(source)
    for place in sorted(_places(tree, (), "", ""), key=lambda one: one.node.lineno):
        for changed in _changes(place.node):
            made = _with(tree, place.path, ast.copy_location(copy.deepcopy(changed), place.node))
            before, after = ast.unparse(place.node), ast.unparse(changed)
            yield Mutant(place.node.lineno, place.within, place.function, before, after, made)


def _places(tree: ast.AST, path: tuple[str | int, ...], within: str, function: str) -> Iterator[_Place]:
    if isinstance(tree, ast.JoinedStr):
        return
    if isinstance(tree, ast.Subscript) and ast.unparse(tree.value) == "Literal":
        return
    for name, value in ast.iter_fields(tree):
        if name in _LEFT_OUT:
            continue
        around = within, function
        if isinstance(tree, ast.FunctionDef | ast.ClassDef) and name == "body":
            inside = f"{within}.{tree.name}".lstrip(".")
            around = inside, function or (inside if isinstance(tree, ast.FunctionDef) else "")
        below = [(value, (*path, name))]
        if isinstance(value, list):
            below = [(one, (*path, name, i)) for i, one in enumerate(value)]
        for one, way in below:
            if isinstance(one, ast.expr | ast.stmt):
                yield _Place(one, way, *around)
            if isinstance(one, ast.AST):
                yield from _places(one, way, *around)


def _with(tree: ast.Module, path: tuple[str | int, ...], changed: ast.AST) -> ast.Module:
    made = copy.deepcopy(tree)
    *way, last = path
    parent: object = made
    for step in way:
        parent = parent[step] if isinstance(parent, list) else getattr(parent, str(step))  # type: ignore[index]
    if isinstance(parent, list):
        parent[last] = changed  # type: ignore[index]
    else:
        setattr(parent, str(last), changed)
    return ast.fix_missing_locations(made)


def _changes(node: ast.expr | ast.stmt) -> Iterator[ast.expr | ast.stmt]:
    """What a node may become."""
    yield from _decided(node)
    yield from _computed(node)
    match node:
        case ast.Return(ast.expr() as value) if not (isinstance(value, ast.Constant) and value.value is None):
            yield ast.Return(ast.Constant(None))
        case ast.Expr(ast.Call()) | ast.Continue() | ast.Break():
            yield ast.Pass()


def _decided(node: ast.expr | ast.stmt) -> Iterator[ast.expr | ast.stmt]:
    match node:
        case ast.Compare(left, ops, comparators):
            for i, op in enumerate(ops):
                for other in _COMPARED[type(op)]:
                    yield ast.Compare(left, [*ops[:i], other(), *ops[i + 1 :]], comparators)
        case ast.BoolOp(op, values):
            yield ast.BoolOp(ast.Or() if isinstance(op, ast.And) else ast.And(), values)
        case ast.UnaryOp(ast.Not(), operand):
            yield operand
        case ast.Constant(bool() as value):
            yield ast.Constant(not value)
        case ast.If(test, body, orelse) if not isinstance(test, ast.Compare | ast.UnaryOp):
            yield ast.If(ast.UnaryOp(ast.Not(), test), body, orelse)
        case ast.IfExp(test, body, orelse):
            yield ast.IfExp(test, orelse, body)


def _computed(node: ast.expr | ast.stmt) -> Iterator[ast.expr | ast.stmt]:
    match node:
        case ast.BinOp(left, op, right) if type(op) in _COMPUTED:
            yield ast.BinOp(left, _COMPUTED[type(op)](), right)
        case ast.AugAssign(target, op, value) if type(op) in _COMPUTED:
            yield ast.AugAssign(target, _COMPUTED[type(op)](), value)
            yield ast.Pass()
        case ast.UnaryOp(ast.USub(), operand):
            yield operand
        case ast.Constant(int() | float() as value) if not isinstance(value, bool):
            yield ast.Constant(value + 1)
        case ast.Call(ast.Name(name), args, keywords) if name in _CALLED:
            yield ast.Call(ast.Name(_CALLED[name], ast.Load()), args, keywords)
