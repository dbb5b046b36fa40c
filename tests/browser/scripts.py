"""What is asked of a page inside the browser. Each gives lines to read, none if all is well."""

# Before the page's own: keeps what its policy stopped.
LOUD = """window.policyBroken = [];
document.addEventListener("securitypolicyviolation", (event) =>
    window.policyBroken.push(`${event.violatedDirective} ${event.blockedURI} ${event.sample}`));"""

ADVICE = """async (options) => (await axe.run(document, options)).violations.flatMap((rule) =>
    rule.nodes.map((node) => `${rule.id}: ${node.html.slice(0, 200)}: ${node.failureSummary}`))"""

FRAME = """() => {
    const faults = [];
    const heads = [...document.querySelectorAll("h1")];
    if (heads.length !== 1) faults.push(`${heads.length} h1`);
    else if (!heads[0].textContent.trim()) faults.push("an empty h1");
    if (!/\\S.* · Sited$/.test(document.title)) faults.push(`the title is ${document.title}`);
    if (!document.documentElement.lang) faults.push("no language");
    for (const part of ["header", "main", "footer"])
        if (document.querySelectorAll(`body > ${part}`).length !== 1) faults.push(`not one ${part}`);
    const ids = [...document.querySelectorAll("[id]")].map((each) => each.id);
    for (const id of new Set(ids.filter((id, at) => ids.indexOf(id) !== at))) faults.push(`the id ${id} twice`);
    for (const link of document.querySelectorAll("a[href^='#']"))
        if (!document.getElementById(link.hash.slice(1))) faults.push(`a link to nothing here: ${link.outerHTML}`);
    const machine = document.body.innerText.match(/.*(\\bNone,|\\bundefined\\b|\\bNaN\\b|\\{[{%]|[%}]\\}).*/);
    if (machine) faults.push(`a word of the machine: ${machine[0]}`);
    const links = [...document.querySelectorAll("body > footer a")].map((each) => each.textContent.trim());
    const ending = document.getElementById("ending");
    return {
        faults, title: document.title, help: links.indexOf("Help"), focus: document.activeElement.id,
        ending: Boolean(ending && Number(ending.dataset.seconds) > 120),
    };
}"""

# Tables may scroll in a region of their own; the page may not.
WITHIN = """(width) => {
    if (document.documentElement.scrollWidth <= width) return [];
    const beyond = [...document.querySelectorAll("main *, header *, footer *")]
        .filter((each) => !each.closest(".scroll, .unseen") && each.getBoundingClientRect().right > width + 1);
    return [`${document.documentElement.scrollWidth} wide at ${width}: ${beyond.slice(0, 3).map((each) =>
        each.outerHTML.slice(0, 120)).join(" | ")}`];
}"""

# SC 2.5.8; a link within a sentence is excepted there, not here.
SMALL = """(least) => [...document.querySelectorAll("a, button, input:not([type=hidden]), select, textarea, summary")]
    .filter((each) => each.checkVisibility() && !each.closest(".unseen, .skip"))
    .map((each) => [each, (each.closest(".tile") || each).getBoundingClientRect()])
    .filter(([, box]) => box.height < least - 0.5 || box.width < least - 0.5)
    .map(([each, box]) => `${each.outerHTML.slice(0, 120)} is ${box.width.toFixed(1)} by ${box.height.toFixed(1)}`)"""

# The values of WCAG 2.2, SC 1.4.12. A style sheet made by script is no inline style, so the policy lets it be.
WIDER_TEXT = """() => {
    const sheet = new CSSStyleSheet();
    sheet.replaceSync(`p { margin-bottom: 2em !important } * { line-height: 1.5 !important;
        letter-spacing: .12em !important; word-spacing: .16em !important }`);
    document.adoptedStyleSheets = [sheet];
}"""
CUT_OFF = """() => [...document.querySelectorAll(
        "button, .button, legend, .tile > span, .say, h1, h2, h3, th, td, dt, dd, .chips a")]
    .filter((each) => each.checkVisibility() && !each.closest(".unseen, .scroll") && !each.matches(".unseen")
        && (each.scrollWidth > each.clientWidth + 2 || each.scrollHeight > each.clientHeight + 3)
        && getComputedStyle(each).display !== "inline")
    .map((each) => `cut off: ${each.outerHTML.slice(0, 120)}`)"""

# null once the page has no further stop.
RING = """() => {
    const each = document.activeElement;
    if (!each || each === document.body) return null;
    const shown = each.closest(".tile") ? each.nextElementSibling : each;
    const style = getComputedStyle(shown), box = shown.getBoundingClientRect(), faults = [];
    if (style.outlineStyle !== "solid" || parseFloat(style.outlineWidth) < 2)
        faults.push(`no ring: ${each.outerHTML.slice(0, 120)}`);
    const hit = [0.2, 0.5, 0.8].filter((part) => {
        const top = document.elementFromPoint(box.left + box.width * part, box.top + Math.min(box.height / 2, 12));
        return top && (shown.contains(top) || top.contains(shown) || top.closest("label")?.contains(each));
    });
    if (!hit.length) faults.push(`hidden: ${each.outerHTML.slice(0, 120)}`);
    return faults;
}"""
