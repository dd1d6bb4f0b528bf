"""Each sentence that tells a worker what to do, with where it comes from. Local protocol and the licensed clinician
decide; the texts are reread aloud when one of them changes."""

# What people in follow-up are asked to do on fever or symptom: stay apart where they are, no public transport, not to
# work, telephone the named contact and not walk in. Seen in copies of both.
GUIDANCE = (
    "Interim US guidance for monitoring and movement of persons with potential Ebola virus exposure, CDC, 2014, "
    "summary table; Ebola category 1 and 4 contact sheets, UKHSA, 2024-25"
)
COMMON = "common practice, no source"
LOCAL = "local choice, no published number"
PRODUCT = "how this service works; nothing clinical is claimed"

TELLS = {
    # Stop
    "Stop, and call": GUIDANCE,
    "Stop, and call the emergency number": COMMON,
    "Not sent: telephone now": COMMON,
    "What you typed before you were signed out has reached nobody. Telephone first, then send it.": COMMON,
    "It was not taken as a reading, but your call cannot wait.": COMMON,
    "Say first: {{ say_first }}": COMMON,
    "Say first: %(say_first)s": COMMON,
    "and say first: {{ say_first }}": COMMON,
    "Then ring occupational health, day and night:": GUIDANCE,
    "No answer in 15 minutes, or bleeding, trouble breathing, confusion: call": f"{COMMON}; the 15 minutes: {LOCAL}",
    "No answer in 15 minutes, or bleeding, trouble breathing, confusion: call %(number)s and say first: "
    "%(say_first)s": f"{COMMON}; the 15 minutes: {LOCAL}",
    "Telephone; do not walk in anywhere.": GUIDANCE,
    "No clinic, emergency department or pharmacy before somebody on the telephone has told you where to go.": GUIDANCE,
    "At home: stay in a room alone.": GUIDANCE,
    "Out or at work: move away from people, put on a mask, no public transport.": f"{GUIDANCE}; the mask: {COMMON}",
    "It stands until occupational health has told you otherwise, whatever you measure next.": COMMON,
    "The Stop stands until they have told you otherwise.": COMMON,
    "Occupational health has seen this: {{ clock }}. It stands until they have told you otherwise.": COMMON,
    "Stop. Not sent: telephone now": COMMON,
    "What you typed has reached nobody yet. It is sent as soon as there is a connection and this page is "
    "open.": PRODUCT,
    "Occupational health has been alerted at {{ clock }}. Ring all the same.": COMMON,
    "If it was a Stop, the Stop stands until a clinician has closed it.": COMMON,
    # The sheet for home
    "They stay in a room alone.": GUIDANCE,
    "Ring first, whatever the hour. Do not take them to a clinic, an emergency department or a pharmacy.": GUIDANCE,
    "Bleeding, trouble breathing, confusion: ring the emergency number, and say first that they are monitored after "
    "contact with a dangerous infection.": COMMON,
    "Until a physician has signed below, what stands above is general advice. What holds in this household is filled "
    "in with occupational health: sleeping, washing, meals, visitors, children. Not signed yet? Ring before you change "
    "anything:": f"what a household does is the physician's to say; {COMMON}",
    "Approved by {{ name }}, physician of occupational health, on {{ day }}. Ask whether there is a newer sheet before "
    "you change anything:": f"what a household does is the physician's to say; {COMMON}",
    # Whom to ring
    "Please ring": PRODUCT,
    "Please ring now": PRODUCT,
    "Always by telephone first; do not walk in.": GUIDANCE,
    "Bleeding, trouble breathing, confusion: emergency": COMMON,
    "If you feel ill before that, do not wait and do not walk in: ring": GUIDANCE,
    "If you feel ill, or have a question, ring; do not walk in.": GUIDANCE,
    "Readings are still taken for 14 days. If you feel ill, ring; do not walk in.": f"{GUIDANCE}; the 14 days: {LOCAL}",
    "You have no follow-up that runs. If you were exposed and nobody has spoken with you, ring.": COMMON,
    "You feel ill, or something has happened? Ring occupational health, day and night. You need not sign in for "
    "that.": COMMON,
    "Occupational health will tell you how it goes on. Questions: ring.": PRODUCT,
    "Questions, or you feel worse: ring. In danger of life: the emergency number.": COMMON,
    "Reminders are paused. Do what the people who look after you say.": COMMON,
    "Nothing is wrong with that. Occupational health sees it on its list and rings you. If you feel ill, do not wait "
    "for that: ring.": GUIDANCE,
    "What they should or need not do depends on you and them. Ask occupational health; the physician approves the "
    "advice. Messages from this service never say why you are asked to open your page.": COMMON,
    # Work
    "Please start no shift with patients": f"{COMMON}: nobody has assessed the exposure with them yet",
    # Readings
    "Take your temperature now": "twice a day in follow-up: MMWR 64(25):685-9, CDC, 2015; the windows: "
    + LOCAL,
    "Please repeat your reading": "a reading soon after a fever reducer is not reassuring: published monitoring forms; "
    "their hours differ, these are the criteria's",
    "Recorded. Please repeat it": "as above",
    "It is not reassuring: medicine against fever can hide one. Take your temperature again after "
    "{{ repeat_after }}.": "as above",
    "The last one is not reassuring: medicine against fever can hide one. Take your temperature again after "
    "{{ repeat_after }}.": "as above",
    "It was due {{ due_when }}. Please enter it now: it still counts, as a late one.": PRODUCT,
    "%(typed)s is lower than a thermometer usually shows. Take it once more. If it is right, send it again: it is "
    "then taken.": "hypothermia begins below 35.0 degrees C by its common definition (from memory)",
    "Do you have any of these? Tick all that apply.": "the symptoms are those of the criteria in use",
    "Tick each one that you have, or “None of these”.": PRODUCT,
    "If you work nights, choose times at which you are up. A reading that is open now stays; later ones move.": PRODUCT,
    "Enter a reading that you took": PRODUCT,
    "Enter it if you took your temperature then, and say when. If you did not, leave it: nobody will blame "
    "you.": PRODUCT,
    "It counts as a fever. You are told at once whom to ring.": "fever measured or felt: " + GUIDANCE,
    "Not sent: no connection. What you typed stays here. Try again in a moment.": PRODUCT,
    "On a journey: choose the nearest large city. Readings that have not opened move to its clock.": PRODUCT,
    "Use °{{ unit }}: send {{ temperature }} °{{ unit }}": PRODUCT,
    "{{ temperature }} °{{ unit }}? Yes, send it": PRODUCT,
    "You can ask occupational health for a copy of your record.": PRODUCT,
    "You can say that something in the report about you is wrong. Ring, and a clinician looks at it.": PRODUCT,
    "The reading that is open now stays where it is: you can enter it until {{ until }}.": PRODUCT,
    # Without a connection
    "If you feel ill, do not wait for that: telephone now.": COMMON,
    "Ring, and occupational health enters it.": PRODUCT,
    "Enter a number such as 36.8 or 98.2, or say below why you could not take it.": PRODUCT,
    "That number fits the other unit. Choose the other unit below, or correct the number.": PRODUCT,
    "Have you any symptoms? Press “No symptoms, send”, or open “I have symptoms”.": PRODUCT,
    "Not sent yet: there is no connection. It keeps the time at which you took it.": PRODUCT,
    "Something here has not been sent. Once you have signed out nobody can read it, and it is sent only after you "
    "have signed in again on this phone. Press Sign out once more to do that.": PRODUCT,
    "This page needs a connection once: sign in on your own phone, and it works without one from then on.": PRODUCT,
    # After a sign-in that had ended
    "Then send it": PRODUCT,
    "This is what you typed before you were signed out. Look at it and send it.": PRODUCT,
    # The paper card
    "If you feel feverish or ill, or if you cannot take a reading:": GUIDANCE,
    "At {{ limit }} or more, if you feel feverish or ill, or if you cannot take a reading:": f"{GUIDANCE}; the "
    "limit is the adopted criteria's",
    "Ring at once, day or night": GUIDANCE,
    "Stay in a room alone, away from other people, until somebody has spoken with you.": GUIDANCE,
    "In danger of life, ring this number, and say first that occupational health is monitoring you:": COMMON,
    "Take each reading at its time, and write it down at once. Keep the card until it is collected.": COMMON,
    # My record
    "You can take it as soon as somebody has spoken with you about what is new.": PRODUCT,
    "It holds what your own pages show. Notes and calls of those who look after you are not in it; ask them for these. "
    "Keep it where nobody else reads it: it says why you were followed up.": PRODUCT,
    "Each reading and report that you send gets a code within a few minutes. Nobody can change what you sent and "
    "keep the code. Write it down, or keep the file: it can be checked without this service.": PRODUCT,
    "It is not as you sent it. Ring occupational health and ask for the auditor.": PRODUCT,
    "Nothing that you have sent has this code. Look at it again.": PRODUCT,
}

# They hold one of the words that tell, and tell nothing.
ONLY_NAMES = {
    "Take a copy of my record",
    "What you sent",
    "It is as you sent it.",
    "Receipts for what I sent",
    "You have sent nothing yet.",
    "A reading that is missing is followed up by telephone. That is a question, not a reproach.",
    "Back to Today",
    "By telephone only: no messages",
    "It is sent by itself as soon as there is a connection and this page is open.",
    "Kept here, not sent yet:",
    "No connection: enter it here",
    "Send it now",
    "Choose",
    "Correct it, or enter another reading",
    "Enter another reading",
    "How to remind me",
    "I can't take it",
    "I took it: enter it",
    "I feel ill, or want to enter a reading",
    "It reads “completed with a gap”: for some time there was neither a reading nor an answered call.",
    "Not sent yet",
    "Numbers to ring",
    "Occupational health knows: it stands on their list with your reason, and they ring you. Until then you can still "
    "take it; it counts.",
    "Readings are still taken for 14 days. The clearance ends what was asked of you; it is not a promise that you stay "
    "well.",
    "No symptoms, send",
    "Send",
    "Send it with these symptoms",
    "Send the right one",
    "Send this reason",
    "Send: I feel feverish",
    "We meant to call by {{ call_by }}.",
    "We will call by {{ call_by }}.",
    "We will call you.",
    "When taken",
    "Where taken",
    "While you sleep, for one. Occupational health may still telephone.",
    "Whom to call",
}
