"""Pages laid out by headless Chromium: widths, what is cut off, what it asks for."""

import html
import json
import re
import shutil
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from http.server import BaseHTTPRequestHandler, SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

FRAME = """<!DOCTYPE html><meta charset="utf-8"><link rel="icon" href="data:,">
<iframe src="PAGE" style="width:WIDTHpx;height:900px;border:0"></iframe><pre id="found"></pre>
<script>
onload = () => {
  const page = document.querySelector("iframe").contentWindow, root = page.document;
  const all = [...root.body.querySelectorAll("*")].filter(e => e.getClientRects().length);
  const name = e => e.tagName + ": " + e.textContent.trim().slice(0, 40);
  const beyond = all.filter(e => {
    const at = e.getBoundingClientRect();
    return at.right > page.innerWidth + 0.5 || at.left < -0.5;
  });
  const cut = all.filter(e => e.scrollWidth > e.clientWidth + 1 && e.clientWidth
    && page.getComputedStyle(e).overflowX !== "visible" && e.tagName !== "THEAD");
  document.querySelector("#found").textContent = JSON.stringify({
    width: page.innerWidth, wide: root.documentElement.scrollWidth,
    beyond: beyond.map(name), cut: cut.map(name), elements: all.length,
    tall: root.documentElement.scrollHeight, text: root.body.innerText,
    switches: all.filter(e => e.tagName === "INPUT").length,
    background: page.getComputedStyle(root.body).backgroundColor,
    pictures: [...root.querySelectorAll("svg")].filter(e => e.getClientRects().length).length,
    smallest: Math.min(...all.filter(e => e.tagName.toLowerCase() === "text"
      && e.textContent.trim()).map(e => e.getBoundingClientRect().height), 99),
  });
};
</script>
"""


def browser() -> str:
    """Return Chromium's path; its lack is a failure, no reason to skip."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    assert found, "Chromium is needed: apt-get install chromium"
    return found


def run_browser(*options: str) -> "subprocess.CompletedProcess[str]":
    """Run Chromium without a screen."""
    quiet = ["--disable-background-networking", "--no-first-run", "--enable-logging=stderr"]
    return subprocess.run(
        [browser(), "--headless", "--no-sandbox", "--disable-gpu", *quiet, *options],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )


@contextmanager
def answering(handler: Callable[..., BaseHTTPRequestHandler]) -> Iterator[str]:
    """Let a handler answer this machine; yield its address."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, list[str]]]:
    """Serve a folder to this machine; yield its address and the paths that were asked for."""
    asked: list[str] = []

    class Handler(SimpleHTTPRequestHandler):
        def log_message(self, *words: Any) -> None:
            asked.append(self.path)

    with answering(partial(Handler, directory=str(folder))) as address:
        yield address, asked


def lay_out(page: Path, width: int, *options: str) -> dict[str, Any]:
    """
    Return how a page lies in a frame `width` pixels wide.

    Beside what the frame's script finds: `console`, what was said on the console, and `asked`,
    the paths that were asked for beside the page's.
    """
    frame = page.with_name(f"frame-{width}.html")
    frame.write_text(FRAME.replace("PAGE", page.name).replace("WIDTH", str(width)), "utf-8")
    with served(page.parent) as (address, asked):
        # Any name is resolved to nothing, so that a request elsewhere fails on the console.
        rules = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
        done = run_browser(
            rules,
            *options,
            "--virtual-time-budget=4000",
            "--dump-dom",
            f"{address}/{frame.name}",
        )
    match = re.search(r'<pre id="found">(\{.*?\})</pre>', done.stdout, re.DOTALL)
    assert match, done.stdout[-500:] + done.stderr[-500:]
    found: dict[str, Any] = json.loads(html.unescape(match[1]))
    found["console"] = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    found["asked"] = [path for path in asked if path not in (f"/{frame.name}", f"/{page.name}")]
    return found


def printed_pages(page: Path) -> int:
    """Return on how many pages a page is printed, its own page size kept."""
    out = page.with_suffix(".pdf")
    run_browser("--no-pdf-header-footer", f"--print-to-pdf={out}", page.as_uri())
    content = out.read_bytes()
    assert content.startswith(b"%PDF")
    return len(re.findall(rb"/Type\s*/Page\b", content))


AXE = Path(__file__).parent / "node_modules" / "axe-core" / "axe.min.js"
AXE_RUN = """<script src="axe.min.js"></script><script>
onload = () => axe.run().then(found => {
  const told = document.createElement("pre");
  told.id = "violations";
  told.textContent = JSON.stringify({
    passes: found.passes.length,
    violations: found.violations.map(v => v.id + ": " + v.nodes.map(n => n.html.slice(0, 120))),
  });
  document.body.append(told);
});
</script></body>"""


def judge_by_axe(page: Path, *options: str) -> dict[str, Any]:
    """
    Return what axe-core finds on a page: how many rules it passes, and `violations`.

    The page allows no script, so a copy without that rule is judged.
    """
    assert AXE.exists(), "axe-core is needed: npm ci --prefix tests/kits"
    text = page.read_text("utf-8")
    text = re.sub(r"<meta http-equiv=\"Content-Security-Policy\"[^>]*>", "", text)
    copy = page.with_name(f"axe-{page.name}")
    copy.write_text(text.replace("</body>", AXE_RUN), "utf-8")
    shutil.copy(AXE, page.parent)
    with served(page.parent) as (address, _):
        done = run_browser(
            *options, "--virtual-time-budget=20000", "--dump-dom", f"{address}/{copy.name}"
        )
    match = re.search(r'<pre id="violations">(\{.*?\})</pre>', done.stdout, re.DOTALL)
    assert match, done.stdout[-500:] + done.stderr[-500:]
    found: dict[str, Any] = json.loads(html.unescape(match[1]))
    return found
