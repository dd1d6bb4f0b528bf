"""What every address of the API does: act in the caller's name, find what they may see, note the look, answer."""

from contextlib import ExitStack, suppress
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db.models import Model, Q, QuerySet
from django.http import Http404
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from exposure.api.paging import PageParameters, Pages
from exposure.api.problems import BadParameters
from exposure.audit.access_log import note_look
from exposure.audit.models import AccessEntry
from exposure.people.access import visible
from exposure.people.models import Worker
from exposure.people.policy import AS_CLINICIAN, View
from exposure.record import acting
from exposure.report.submission import storable

Values = dict[str, Any]


class Filters(PageParameters):
    """A list's query parameters; a list adds its own."""


class Resource(APIView):
    """One address. Views below it translate: body or parameters in, one call of the pipeline, an answer out.
    `for_devices`: the methods that a station's device may use too."""

    for_devices: frozenset[str] = frozenset()

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        with ExitStack() as self._scope:
            return super().dispatch(request, *args, **kwargs)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if getattr(request.user, "device_of_id", None) and request.method not in self.for_devices:
            raise PermissionDenied
        # A token's account is known only now; the request itself was opened for the session's, or nobody's.
        origin = f"API {request.META.get('REMOTE_ADDR', '')} {request.path}"[:200]
        self._scope.enter_context(acting(request.user.actor, origin, at=request.at))

    def body(self, shape: type[serializers.Serializer]) -> Values:
        """The body as the shape reads it; raises ValidationError."""
        read = shape(data=self.request.data)
        read.is_valid(raise_exception=True)
        return read.validated_data

    def parameters(self, filters: type[Filters]) -> Values:
        """The query parameters as the filters read them; raises BadParameters."""
        read = filters(data=self.request.query_params.dict())
        if not read.is_valid():
            raise BadParameters({name: str(messages[0]) for name, messages in read.errors.items()})
        return {
            name: value for name, value in read.validated_data.items() if name not in PageParameters().fields
        }

    def seen(self, queryset: QuerySet, *sides: View) -> QuerySet:
        """The rows that the caller may see from any of the sides."""
        return visible(self.request.user, queryset, *sides, at=self.request.at)

    def find(self, queryset: QuerySet, *sides: View, **lookup: Any) -> Any:
        """The one row that the caller may see, or Http404: what is not yours is not there."""
        row = self.seen(queryset, *sides).filter(**lookup).first()
        if row is None:
            raise Http404
        return row

    def worker(self, named: str, *sides: View) -> Worker:
        """The worker by number or uid, if the caller may see them, else Http404."""
        named = storable(named)
        by = Q(number=named)
        with suppress(ValueError):
            by |= Q(uid=UUID(named))
        worker = self.seen(Worker.objects.select_related("site", "same_as__site"), *sides).filter(by).first()
        if worker is None:
            raise Http404
        return worker.same_as or worker

    def is_clinical(self, row: Model) -> bool:
        """Whether the caller sees the row as a clinician, tiers and all."""
        rows = type(row)._default_manager.filter(pk=row.pk)
        return visible(self.request.user, rows, *AS_CLINICIAN, at=self.request.at).exists()

    def page(
        self, rows: QuerySet, shape: type[serializers.Serializer], wanted: Values, read: Any = list
    ) -> Response:
        """One page of the rows, each as `shape`; `read` turns a page's rows into what the shape takes."""
        pages = Pages()
        results = shape(read(pages.paginate_queryset(rows, self.request, view=self)), many=True).data
        subject = f"API {self.request.path}?{urlencode(sorted(wanted.items()))}"
        note_look(self.request.user, AccessEntry.Kind.LIST, subject, at=self.request.at)
        return pages.get_paginated_response(results)

    def note(self, row: Model, worker: Worker | None) -> None:
        """Note that the caller looked at the row."""
        subject = f"{str(row._meta.verbose_name).replace(' ', '-')}:{row.uid}"
        about = worker.uid if worker else None
        note_look(self.request.user, AccessEntry.Kind.DETAIL, subject, about, at=self.request.at)


def all_at_once(results: list[Any]) -> Response:
    """A page of what always fits in one."""
    return Response({"results": results, "next": None, "previous": None})
