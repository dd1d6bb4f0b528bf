"""The seals over the history, for auditors: signed heads and proofs that nothing was rewritten; nobody's record."""

from typing import Any

from django.db.models import QuerySet
from django.http import Http404
from django.utils.translation import gettext as _
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from exposure.api.problems import BadParameters
from exposure.api.resource import Filters, Resource
from exposure.api.schema import described, page_of
from exposure.audit.heads import Head, newest
from exposure.audit.merkle import Tree
from exposure.audit.models import SealEntry, SealHead
from exposure.people.access import holds
from exposure.people.policy import SEEING, View

LARGEST = 2**53 - 1


def digits(count: int) -> serializers.RegexField:
    return serializers.RegexField(f"^[0-9a-f]{{{count}}}$")


class HeadSerializer(serializers.Serializer):
    size = serializers.IntegerField(help_text="How many entries it covers, from the first.")
    root = digits(64)
    at = serializers.CharField(help_text="RFC 3339, to the letter as it was signed.")
    key = digits(64)
    next_key = serializers.CharField(
        allow_blank=True, help_text="Of a hand-over: which key signs from here on."
    )
    signature = digits(128)


class ConsistencySerializer(serializers.Serializer):
    old_size = serializers.IntegerField()
    size = serializers.IntegerField()
    old_root = digits(64)
    root = digits(64)
    proof = serializers.ListField(child=digits(64), help_text="RFC 9162, section 2.1.4.")


class InclusionSerializer(serializers.Serializer):
    sequence = serializers.IntegerField()
    model = serializers.CharField()
    leaf_hash = digits(64)
    size = serializers.IntegerField()
    root = digits(64)
    proof = serializers.ListField(child=digits(64), help_text="RFC 9162, section 2.1.3.")


class ConsistencyFilters(Filters):
    old_size = serializers.IntegerField(min_value=0, max_value=LARGEST)
    size = serializers.IntegerField(min_value=0, max_value=LARGEST)


class InclusionFilters(Filters):
    size = serializers.IntegerField(
        required=False, min_value=1, max_value=LARGEST, help_text="Absent: of the newest head."
    )


class ForAuditors(Resource):
    """What is not for you is not there; asked before anything that was sent is read."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if not holds(request.user, SEEING[View.AUDIT], at=request.at):
            raise Http404


class Seals(ForAuditors):
    @described(
        "list_seals", "Signed heads, newest first", {200: page_of(HeadSerializer)}, 404, filters=Filters
    )
    def get(self, request: Request) -> Response:
        wanted = self.parameters(Filters)
        return self.page(SealHead.objects.all(), HeadSerializer, wanted, read=_as_heads)


class Consistency(ForAuditors):
    throttle_scope = "proofs"

    @described(
        "prove_consistency",
        "That the entries of one size are still the first of another",
        {200: ConsistencySerializer},
        404,
        filters=ConsistencyFilters,
    )
    def get(self, request: Request) -> Response:
        wanted = self.parameters(ConsistencyFilters)
        old_size, size = wanted["old_size"], wanted["size"]
        if old_size > size:
            raise BadParameters({"old_size": _("It is at most the other size.")})
        tree = _tree(size)
        return Response(
            {
                "old_size": old_size,
                "size": size,
                "old_root": tree.root(old_size).hex(),
                "root": tree.root().hex(),
                "proof": [step.hex() for step in tree.consistency_proof(old_size)],
            }
        )


class Inclusion(ForAuditors):
    throttle_scope = "proofs"

    @described(
        "prove_inclusion",
        "That an entry stands at its place",
        {200: InclusionSerializer},
        404,
        filters=InclusionFilters,
    )
    def get(self, request: Request, sequence: int) -> Response:
        wanted = self.parameters(InclusionFilters)
        entry = SealEntry.objects.filter(sequence=min(sequence, LARGEST)).first()
        head = newest()
        if entry is None or head is None:
            raise Http404
        size = wanted.get("size", head.size)
        if sequence >= size:
            raise BadParameters({"size": _("It is larger than the entry's number.")})
        tree = _tree(size)
        return Response(
            {
                "sequence": sequence,
                "model": entry.model,
                "leaf_hash": bytes(entry.leaf_hash).hex(),
                "size": size,
                "root": tree.root().hex(),
                "proof": [step.hex() for step in tree.inclusion_proof(sequence)],
            }
        )


def _as_heads(rows: QuerySet[SealHead]) -> list[dict[str, Any]]:
    return [Head.of(row).as_json() for row in rows]


def _tree(size: int) -> Tree:
    """The tree over the first entries, at most as many as the newest head covers. Raises BadParameters."""
    head = newest()
    if size > (head.size if head else 0):
        raise BadParameters({"size": _("No head covers so many entries yet.")})
    leaves = SealEntry.objects.filter(sequence__lt=size).order_by("sequence")
    tree = Tree([bytes(leaf) for leaf in leaves.values_list("leaf_hash", flat=True).iterator()])
    if tree.size != size:
        raise Http404
    return tree
