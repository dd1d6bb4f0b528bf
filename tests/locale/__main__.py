"""`python -m tests.locale` brings the French catalogue up to its sources, compiles it, and says what lacks French."""

from tests.locale.catalogue import PO, bring_up_to_date

if __name__ == "__main__":
    for sentence in bring_up_to_date():
        print(f"{PO.name} lacks: {sentence.words}")
