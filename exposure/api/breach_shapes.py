"""How a breach report is sent, and how it and its assessments are shown."""

from datetime import datetime
from typing import Any
from uuid import UUID

from rest_framework import serializers

from exposure.api.fields import CodeOrNull, Facts, Instant, WorkerId, code, own_uid, uid
from exposure.classify.models import Assessment
from exposure.followup.models import FollowUp
from exposure.report.models import Breach, Told

IN_WORDS = {"narrative": "", "case": None, "confirmation_note": ""}  # and what stands instead of each
CLINICAL_ONLY = (
    "told_at",
    "person",
    "flags",
    "assessments",
    "follow_ups",
    "confirmed_at",
    "confirmation_note",
)


class PersonSerializer(serializers.Serializer):
    name = serializers.CharField(required=False, allow_null=True)
    phone = serializers.CharField(required=False, allow_null=True)
    employer = serializers.CharField(required=False, allow_null=True)


class SubmissionSerializer(serializers.Serializer):
    """Describes a report's body; `exposure.report.submission` reads it. Unknown codes and keys are kept, flagged."""

    submission_id = serializers.UUIDField(
        help_text="Made on the device, once a report; for ever the record's id."
    )
    station = serializers.CharField(required=False, allow_null=True)
    worker = serializers.CharField(required=False, allow_null=True, help_text="Number or uid.")
    person = PersonSerializer(
        required=False, allow_null=True, help_text="Who is on no list, instead of `worker`."
    )
    occurred_at = serializers.CharField(required=False, allow_null=True, help_text="RFC 3339.")
    case = serializers.CharField(required=False, allow_null=True)
    phase = serializers.CharField(required=False, allow_null=True, help_text="entry, room, removal or later.")
    drill = serializers.BooleanField(required=False, allow_null=True)
    step = serializers.CharField(required=False, allow_null=True)
    removal = serializers.CharField(required=False, allow_null=True)
    event = serializers.CharField(
        required=False, allow_null=True, help_text="Of an event, or of the report that it began with."
    )
    pathogen = serializers.CharField(required=False, allow_null=True)
    criteria_version = serializers.CharField(required=False, allow_null=True)
    facts = serializers.DictField(required=False, allow_null=True)
    what_happened = serializers.CharField(required=False, allow_null=True)
    first_aid = serializers.ListField(child=serializers.CharField(), required=False, allow_null=True)
    narrative = serializers.CharField(required=False, allow_null=True)
    observer = serializers.DictField(
        required=False,
        allow_null=True,
        help_text="At a station's tablet: `badge` of who says that they observe; inside a sealed report also `digits`.",
    )
    device_clock = serializers.DictField(
        required=False,
        allow_null=True,
        help_text="`at`: by the device's own clock; `offset_ms`: by how much it was behind the service's.",
    )


class AssessmentSerializer(serializers.ModelSerializer):
    pathogen = serializers.CharField()  # as it was reported, which need be no known one
    criteria_version = code("version", "version")
    floor = CodeOrNull()
    ceiling = CodeOrNull()
    tier = CodeOrNull()
    rules = serializers.ListField(child=serializers.CharField())
    open_questions = serializers.ListField(child=serializers.CharField())

    class Meta:
        model = Assessment
        fields = ("pathogen", "criteria_version", "floor", "ceiling", "tier", "rules", "open_questions")


class ReasonSerializer(serializers.Serializer):
    rule = serializers.CharField()
    because = serializers.CharField()
    source = serializers.CharField()


class FullAssessmentSerializer(AssessmentSerializer):
    """As it is kept: on which facts, why, and the tier that the follow-up goes by."""

    id = own_uid()
    kind = serializers.CharField()
    treated_as = CodeOrNull()
    facts = Facts()
    reasons = ReasonSerializer(many=True)

    class Meta(AssessmentSerializer.Meta):
        fields = (
            "id",
            "kind",
            *AssessmentSerializer.Meta.fields,
            "treated_as",
            "facts",
            "reasons",
            "reason",
            "second_signature_needed",
            "recorded_at",
        )
        read_only_fields = fields


class ReportedSerializer(serializers.Serializer):
    """`assessments` and `follow_ups` stand only in the answer to somebody who may see tiers."""

    id = serializers.UUIDField()
    reference = serializers.CharField()
    assessments = AssessmentSerializer(many=True, required=False)
    follow_ups = serializers.ListField(child=serializers.UUIDField(), required=False)
    ring_now = serializers.BooleanField(help_text="Ring occupational health at once.")


class BreachSerializer(serializers.ModelSerializer):
    """`in_words` of a row: whether the caller may read what people said in their own words, and the case.
    `is_clinical`: whether as a clinician; the reporter reads what they sent, and nothing of what came of it."""

    id = own_uid()
    site = code("site")
    station = code("station")
    worker = WorkerId()
    case = code("case")
    step = CodeOrNull(source="protocol_step")

    class Meta:
        model = Breach
        fields = (
            "id",
            "reference",
            "site",
            "station",
            "worker",
            "reported_at",
            "occurred_at",
            "case",
            "phase",
            "drill",
            "step",
            "what_happened",
            "withdrawn_at",
        )
        read_only_fields = fields

    def to_representation(self, breach: Breach) -> dict[str, Any]:
        shown = super().to_representation(breach)
        if not breach.in_words:
            shown |= {name: IN_WORDS[name] for name in IN_WORDS if name in shown}
            for assessment in shown.get("assessments", ()):
                assessment["reason"] = ""
        if not breach.is_clinical:
            shown["worker"] = named if isinstance(named := breach.body.get("worker"), str) else None
        return shown


class FullBreachSerializer(BreachSerializer):
    """What was reported; for clinicians also who it is, what was made of it and what a nurse must look at."""

    removal = uid("removal")
    event = uid("event")
    facts = serializers.JSONField()
    first_aid = serializers.ListField(child=serializers.CharField())
    told_at = serializers.SerializerMethodField()
    person = PersonSerializer(source="worker", required=False)
    flags = serializers.ListField(child=serializers.CharField(), required=False)
    assessments = FullAssessmentSerializer(many=True, required=False)
    follow_ups = serializers.SerializerMethodField(required=False)
    confirmed_at = serializers.DateTimeField(required=False, allow_null=True)
    confirmation_note = serializers.CharField(required=False)

    class Meta(BreachSerializer.Meta):
        fields = (
            *BreachSerializer.Meta.fields,
            "removal",
            "event",
            "facts",
            "first_aid",
            "narrative",
            *CLINICAL_ONLY,
        )

    def get_fields(self) -> dict[str, serializers.Field]:
        fields = super().get_fields()
        if not self.context.get("clinical", True):
            for name in CLINICAL_ONLY:
                del fields[name]
        return fields

    def get_told_at(self, breach: Breach) -> datetime | None:
        return min((told.told_at for told in breach.tellings.all()), default=None)

    def get_follow_ups(self, breach: Breach) -> list[UUID]:
        return list(
            FollowUp.objects.filter(exposures__breach=breach).distinct().values_list("uid", flat=True)
        )


class FactsSerializer(serializers.Serializer):
    facts = Facts()


class ConfirmationSerializer(serializers.Serializer):
    facts = Facts(required=False)
    note = serializers.CharField(required=False, allow_blank=True, default="")


class OverrideSerializer(serializers.Serializer):
    tier = serializers.CharField()
    reason = serializers.CharField()
    pathogen = serializers.CharField(required=False, help_text="Only where the report concerns several.")
    standing = serializers.UUIDField(
        required=False, help_text="The assessment departed from, where somebody else has set another tier."
    )


class WithdrawalSerializer(serializers.Serializer):
    reason = serializers.CharField()


class ToldSerializer(serializers.Serializer):
    by = serializers.ChoiceField(Told._meta.get_field("by").choices)
    at = Instant(required=False, help_text="Now, where it is left out.")
