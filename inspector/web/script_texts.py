"""Texts of the scripts: each page carries those of its scripts in its own language, as data, not as script.

A text that depends on a count comes in two forms, by `count`; `static/texts.js` chooses by the rules of the language.
"""

from jinja2.utils import htmlsafe_json_dumps
from markupsafe import Markup

from inspector.web.language import as_written, mark, mark_many

__all__ = ["texts_of"]

_TEXTS: dict[str, dict[str, str | tuple[str, str]]] = {
    # unsent.js and waiting-photos.js, on every page
    "unsent": {
        "not-sent-yet": mark_many("%(count)s photo not sent yet", "%(count)s photos not sent yet"),
        "to-look-at": mark_many("%(count)s photo to look at", "%(count)s photos to look at"),
        "sign-in-to-send": mark("%(photos)s: sign in to send"),
        "not-reached": mark("The program cannot be reached."),
        "you-are-signed-out": mark("You are signed out."),
        "answered": mark("The program answered %(status)s."),
        "known-no-more": mark("The program knows this photo no more."),
    },
    # photograph.js, camera.js and label-scanning.js
    "photograph": {
        "keeps-no-photos": mark(
            "This browser keeps no photos while the program is out of reach (a private window?). Send them with the "
            "button."
        ),
        "find-out": mark("Find out from the photo"),
        "camera-not-allowed": mark("This browser was not allowed to use the camera."),
        "no-camera": mark("This device has no camera."),
        "camera-in-use": mark("Another program is using the camera."),
        "camera-did-not-start": mark("The camera did not start."),
        "own-camera-instead": mark("%(why)s Take the photo with the phone's own camera instead, or choose one below."),
        "live-picture-lost": mark("The live picture could not be kept."),
        "too-large": mark("%(name)s is larger than %(most)s MB. Send it smaller, as a JPEG for instance."),
        "no-room": mark(
            "%(name)s was not kept: this browser has no room left. Stay here until the others are sent, then take it "
            "again."
        ),
        "browser-failed": mark(
            "%(name)s was not kept: this browser failed (%(error)s). Stay here until the others are sent, then take it "
            "again."
        ),
        "being-inspected": mark("Being inspected"),
        "kept": mark("Kept, not inspected yet"),
        "waits": mark("Waits in this phone"),
        "not-taken": mark("Not taken"),
        "clear": mark("Clear"),
        "flagged": mark("Flagged: %(what)s"),
        "take-again": mark("Take it again"),
        "signed-out": mark("You are signed out. It is sent once you have signed in."),
        "sent-when-over": mark("%(why)s It is sent as soon as that is over."),
        "sent-next": mark("It is sent next."),
        "taken-by-other": mark("%(name)s took it. It is sent when %(name)s signs in on this phone."),
        "send-as-mine": mark("Send it under my name"),
        "logged-already": mark("This photo was in the log already; it was not added again."),
        "sign-in": mark("Sign in"),
        "look-at-piece": mark("Look at piece %(id)s"),
        "it-is": mark("It is %(mold)s"),
        "send-again-as-chosen": mark("Send again as chosen above"),
        "throw-away": mark("Throw it away"),
        "throw-away-sure": mark("Throw the photo %(name)s away? It is nowhere else."),
        "looking-for-label": mark("Looking for a label. Hold it so that it fills a third of the picture."),
        "label-of-no-mold": mark("The label is of mold %(mold)s, which has no good piece to compare with here."),
        "label-of-no-pour": mark("The label is of pour %(pour)s, which is not among the latest ones here."),
        "label-chosen": mark("Chosen: %(what)s."),
        "no-label": mark("No label was found. Go closer, hold still, and have light on it; or choose below."),
        "label-out-of-reach": mark(
            "No label was found here, and the program is out of reach to look closer. Choose below; photos are kept "
            "all the same."
        ),
        "other-code": mark("That code is no label of these molds and pours. Choose below."),
    },
    "add-photos": {
        "inspect-photos": mark("Inspect the photos"),
        "inspect-counted": mark_many("Inspect the photo", "Inspect %(count)s photos"),
        "none-chosen": mark("No photo was chosen. Choose or take at least one."),
        "done-of": mark("%(done)s of %(all)s done"),
        "count-flagged": mark_many("%(count)s flagged", "%(count)s flagged"),
        "count-not-used": mark_many("%(count)s could not be used", "%(count)s could not be used"),
        "count-not-sent": mark_many("%(count)s not sent", "%(count)s not sent"),
        "count-kept": mark_many("%(count)s kept, not inspected yet", "%(count)s kept, not inspected yet"),
        "show-now": mark("Show what is there now"),
        "send-again": mark("Send again"),
        "queued": mark("Queued"),
        "too-large": mark(
            "Could not be used: it is %(size)s MB; the largest that is taken is %(most)s MB. Send it smaller."
        ),
        "sending-name": mark("Sending %(name)s"),
        "sending": mark("Sending"),
        "sending-percent": mark("Sending %(percent)s %%"),
        "inspecting": mark("Inspecting"),
        "answered": mark("The program answered %(status)s."),
        "not-sent": mark("Not sent: %(why)s"),
        "not-sent-reach": mark("Not sent: the program cannot be reached. Check the Wi-Fi and send it again."),
        "logged-already": mark("This photo was in the log already; it was not added again."),
        "clear": mark("Clear"),
        "flagged": mark("Flagged: %(what)s"),
        "kept": mark("Kept. %(what)s"),
        "not-used": mark("Could not be used: %(why)s"),
        "piece": mark("Piece %(id)s"),
    },
    # outline-editor.js
    "outlining": {
        "corners": mark_many("Outline with %(count)s corner.", "Outline with %(count)s corners."),
        "corner": mark("Corner %(number)s of %(count)s, %(left)s %% from the left, %(top)s %% from the top"),
    },
    "review": {
        "not-kept": mark(
            "The word was not kept: this page cannot reach the program. Check the Wi-Fi and say it again."
        ),
    },
}


def texts_of(*scripts: str) -> Markup:
    """The texts of scripts as a block of data in a page, in the language of whoever is answered.

    A browser runs nothing of it, so that the content security policy lets it stand.
    """
    texts = {}
    for script in scripts:
        for name, text in _TEXTS[script].items():
            texts[name] = (
                as_written(text)
                if isinstance(text, str)
                else {"one": as_written(*text, count=1), "other": as_written(*text, count=2)}
            )
    return Markup('<script type="application/json" data-texts>{}</script>').format(htmlsafe_json_dumps(texts))
