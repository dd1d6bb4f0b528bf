"""What may come of an alert, by its cause: the outcomes that fit, which of them need a note, what a physician decides.

Causes and outcomes are the codes of `Alert.Cause` and `Alert.Outcome`. Every alert can be closed as evaluated: other
programs close them so.
"""

from types import MappingProxyType

EVALUATED = ("evaluated",)
OF_A_READING = ("other_diagnosis", "evaluated", "fell_ill", "entry_error")
OF_A_REPORT = ("evaluated", "entry_error")
OF_SILENCE = ("reached", "reading_came", "ended", "evaluated")
OF_A_CASE = ("decided", "evaluated")

FITTING = MappingProxyType(
    {
        "fever": OF_A_READING,
        "symptom": OF_A_READING,
        "rise": OF_A_READING,
        "missed": OF_SILENCE,
        "could_not": OF_SILENCE,
        "silence": OF_SILENCE,
        "late_call": OF_SILENCE,
        "unreachable": OF_SILENCE,
        "call_me": OF_SILENCE,
        "case_changed": OF_A_CASE,
        "to_look_at": OF_A_REPORT,
        "other_content": OF_A_REPORT,
        "unassessed": EVALUATED,
        "late_confirmation": EVALUATED,
        "untold": EVALUATED,
        "late_task": EVALUATED,
        "task_soon": EVALUATED,
        "late_review": EVALUATED,
        "late_signature": EVALUATED,
        "withdrawal": EVALUATED,
        "drill": EVALUATED,
    }
)
RAISED_BY_READINGS = frozenset(cause for cause, fitting in FITTING.items() if fitting is OF_A_READING)
BY_PHYSICIANS = frozenset({"case_changed"})
ALWAYS_WITH_NOTE = frozenset({"other_diagnosis", "fell_ill"})


def needs_note(cause: str, outcome: str, *, urgent: bool) -> bool:
    """Whether the outcome must be explained: of every fever, of an urgent symptom, and where it says what it was."""
    return cause == "fever" or (cause == "symptom" and urgent) or outcome in ALWAYS_WITH_NOTE
