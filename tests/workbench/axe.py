"""What axe-core says of a page as it stands. Source: axe-core as axe-playwright-python brings it."""

import json


def findings(page) -> list[str]:
    """What axe-core says of a page as it stands; run through the browser's own tools, as the page admits no foreign script."""
    from axe_playwright_python.base import AXE_SCRIPT

    tools = page.context.new_cdp_session(page)
    tools.send("Runtime.evaluate", {"expression": AXE_SCRIPT})
    told = tools.send(
        "Runtime.evaluate",
        {
            "expression": "axe.run({resultTypes: ['violations']}).then((told) => JSON.stringify(told.violations))",
            "awaitPromise": True,
            "returnByValue": True,
        },
    )
    tools.detach()
    violations = json.loads(told["result"]["value"])
    return [f"{each['id']}: {node['html'][:160]}" for each in violations for node in each["nodes"]]
