"""A decision table and its diagram as plain JSON values, for a page that classifies without a connection."""

from exposure.classify.diagram import Diagram
from exposure.classify.document import Words
from exposure.classify.table import Fact, Table


def compiled(table: Table, diagram: Diagram, root: int) -> dict[str, object]:
    """Tiers, facts, bands, nodes and root; see `Criteria.compiled`."""
    kept = _below(diagram, root)
    number = {node: at for at, node in enumerate(kept)} | {
        rank: ~rank for rank in range(diagram.impossible + 1)
    }
    return {
        "tiers": [{"code": tier.code, "label": _plain(tier.label)} for tier in table.tiers],
        "facts": [_fact(fact) for fact in table.facts],
        "bands": {fact.name: [str(cut) for cut in fact.cuts] for fact in table.facts if fact.cuts},
        "order": list(diagram.order),
        "nodes": [
            [diagram.level[node], *(number[child] for child in diagram.children[node])] for node in kept
        ],
        "root": number[root],
    }


def _below(diagram: Diagram, root: int) -> list[int]:
    """The nodes that the root leads to, children first; no leaves."""
    reached, waiting = set(), [root]
    while waiting:
        node = waiting.pop()
        if node not in reached:
            reached.add(node)
            waiting += diagram.children[node]
    return sorted(node for node in reached if node > diagram.impossible)


def _fact(fact: Fact) -> dict[str, object]:
    asked: dict[str, object] = {"name": fact.name, "ask": _plain(fact.ask), "about": fact.about}
    if fact.cuts:
        return {**asked, "unit": fact.unit}
    answers = [
        {"code": answer.code, "label": _plain(answer.label), "through_skin": answer.through_skin}
        for answer in fact.answers
    ]
    return {**asked, "answers": answers}


def _plain(words: Words) -> str | dict[str, str]:
    return words if isinstance(words, str) else dict(words)
