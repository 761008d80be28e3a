"""What was done to the files, as a preservation system takes it: events with agents and objects.

event_list   papers -> plain document, shaped after the PREMIS data dictionary

PREMIS names the parts (identifier, type, date, detail, outcome, agent, object); the document is JSON, not its XML:
its schema was not at hand to check against. An event whose day nobody stated has no date.
"""

from typing import Any

from smallgauge import __version__
from smallgauge.deliver.papers import Papers

PROGRAM_AGENT = f"smallgauge {__version__}"


def event_list(papers: Papers) -> dict[str, Any]:
    """Capture, digests, every decision in force, and every check, in their order.

    Notes
    -----
    Source: PREMIS 3.0, its units and their names.
    """
    capture = papers.capture
    events: list[dict[str, Any]] = []
    files = [file.name for file in papers.proof.files] if papers.proof else []

    def event(kind: str, detail: str, *, at: str = "", outcome: str = "", agent: str = PROGRAM_AGENT) -> None:
        one: dict[str, Any] = {
            "eventIdentifier": f"{papers.reel.number}/{len(events) + 1}",
            "eventType": kind,
            "eventDetail": detail,
            "linkingAgentIdentifier": agent,
        }
        if at:
            one["eventDateTime"] = at
        if outcome:
            one["eventOutcome"] = outcome
        events.append(one)

    event(
        "capture",
        f"{capture.count} frames, {capture.kind}, {capture.format}, {capture.width} x {capture.height}",
        at=capture.notes.captured_on or "",
        agent=capture.notes.machine or "scanner, not named",
    )
    event("message digest calculation", f"SHA-256 of every captured frame; together {capture.digest}")
    for entry in papers.treatment.in_force:
        made = entry.decision
        event(
            "decision",
            f"{made.subject} ({made.anchor}): {made.value}; {made.why}",
            at=made.at,
            agent=PROGRAM_AGENT if made.by == "program" else made.by,
        )
    for check in papers.proof.checks if papers.proof else ():
        event(
            "fixity check" if "digest" in check.name or "equal" in check.name else "validation",
            f"{check.name}: {check.of}, by {check.by}",
            outcome=f"{check.passed} of {check.made} passed",
        )
    return {
        "objects": [
            {
                "objectIdentifier": file.name,
                "size": file.bytes,
                "fixity": {"messageDigestAlgorithm": "SHA-256", "messageDigest": file.sha256},
            }
            for file in (papers.proof.files if papers.proof else ())
        ],
        "events": events,
        "agents": sorted({str(each["linkingAgentIdentifier"]) for each in events}),
        "objectCount": len(files),
    }
