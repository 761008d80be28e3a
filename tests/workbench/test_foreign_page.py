"""A page of another origin, open in the same browser as the bench, can neither read nor change anything of it.

The browser holds the bench's cookie; the other page knows the port and every address. Source of what it tries: the ways in which a
page may ask another origin for something (Fetch standard, HTML standard: images, scripts, styles, frames, forms, sockets, windows).
"""

import contextlib
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from numbered_reel import NAME
from served import browser, chromium, page_of, serve

pytestmark = pytest.mark.skipif(chromium() is None, reason="left out: no chromium on this system")

TRIES = """async (bench) => {
  const tried = {};
  const read = async (name, address, how) => {
    try {
      const answer = await fetch(address, how);
      tried[name] = answer.type === 'opaque' ? 'nothing: opaque' : `READ ${answer.status} ${await answer.text()}`;
    } catch (error) { tried[name] = 'nothing: refused'; }
  };
  const shelf = `${bench}/api/shelf`, decide = `${bench}/api/reel/REEL/decide`;
  const body = JSON.stringify({subject: 'camera_speed', text: '16', row: 3, stamp: 'STAMP', revision: 1, by: 'x', why: 'x'});
  await read('fetch', shelf);
  await read('fetch with cookies', shelf, {credentials: 'include'});
  await read('fetch without cors', shelf, {credentials: 'include', mode: 'no-cors'});
  await read('change as json', decide,
    {method: 'POST', credentials: 'include', body, headers: {'content-type': 'application/json'}});
  await read('change as text', decide, {method: 'POST', credentials: 'include', mode: 'no-cors', body});
  await read('start a run', `${bench}/api/hand/start`, {method: 'POST', credentials: 'include', mode: 'no-cors',
    body: JSON.stringify({name: 'REEL', upto: 'render'})});
  const loads = (name, kind, set) => new Promise((done) => {
    const element = document.createElement(kind);
    element.onload = () => { tried[name] = `LOADED ${element.naturalWidth ?? ''}`; done(); };
    element.onerror = () => { tried[name] = 'nothing: refused'; done(); };
    setTimeout(() => { tried[name] ??= 'nothing: silent'; done(); }, 1500);
    set(element);
    document.body.append(element);
  });
  await loads('picture', 'img', (e) => { e.src = `${bench}/api/reel/REEL/rough/3`; });
  await loads('script', 'script', (e) => { e.src = `${bench}/static/ask.js`; });
  await loads('style', 'link', (e) => { e.rel = 'stylesheet'; e.href = `${bench}/static/bench.css`; });
  await new Promise((done) => {
    const socket = new WebSocket(bench.replace('http', 'ws') + '/api/hand/events');
    socket.onopen = () => { tried.socket = 'OPEN'; done(); };
    socket.onerror = () => { tried.socket = 'nothing: refused'; done(); };
  });
  await new Promise((done) => {
    const source = new EventSource(`${bench}/api/hand/events`, {withCredentials: true});
    source.onmessage = () => { tried.events = 'READ'; };
    source.addEventListener('work', () => { tried.events = 'READ'; });
    setTimeout(() => { tried.events ??= 'nothing: silent'; source.close(); done(); }, 1500);
  });
  const frame = document.createElement('iframe');
  frame.name = 'inside';
  frame.src = bench + '/';
  document.body.append(frame);
  await new Promise((done) => setTimeout(done, 800));
  try { tried.frame = `READ ${frame.contentDocument.body.innerText}`; } catch (error) { tried.frame = 'nothing: refused'; }
  const form = document.createElement('form');
  form.method = 'POST';
  form.action = decide;
  form.enctype = 'text/plain';
  form.target = 'inside';
  const field = document.createElement('input');
  field.name = body.slice(0, -1) + ', "x": "';
  field.value = '"}';
  form.append(field);
  document.body.append(form);
  form.submit();
  await new Promise((done) => setTimeout(done, 800));
  const window_ = open(bench + '/', 'other');
  await new Promise((done) => setTimeout(done, 800));
  try { tried.window = window_ ? `READ ${window_.document.body.innerText}` : 'nothing: no window'; }
  catch (error) { tried.window = 'nothing: refused'; }
  return tried;
}"""


@contextlib.contextmanager
def other_server(address: str):
    """A server of another origin with one empty page."""

    class Page(BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(b"<!doctype html><title>other</title><body>other</body>")

        def log_message(self, *words):
            pass

    server = ThreadingHTTPServer((address, 0), Page)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://{address}:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()


@pytest.mark.parametrize(
    "address", ["127.0.0.1", pytest.param("127.0.0.2", marks=pytest.mark.campaign)]
)  # the same site on another port, and another site
def test_a_foreign_page_reads_and_changes_nothing(own_shelf, address):
    with (
        serve(own_shelf) as served,
        browser() as chrome,
        page_of(chrome, served) as page,
        other_server(address) as other,
    ):
        page.wait_for_selector(".reels li")
        revealing = page.evaluate(f"() => fetch('/api/reel/{NAME}/frame/3').then((r) => r.json())")
        before = {p: p.read_bytes() for p in own_shelf.rglob("*") if p.is_file()}
        foreign = page.context.new_page()
        foreign.goto(other)
        tries = TRIES.replace("REEL", NAME).replace("STAMP", revealing["stamp"])
        tried = foreign.evaluate(tries, served.origin)
        wrong = {name: said for name, said in tried.items() if not said.startswith("nothing")}
        assert len(tried) == 13 and wrong == {}, wrong
        for each in foreign.frames[1:]:
            assert NAME not in each.evaluate("() => document.body.innerText")
        assert {p: p.read_bytes() for p in own_shelf.rglob("*") if p.is_file()} == before
        assert page.evaluate("() => fetch('/api/hand').then((r) => r.json())")["items"] == []
        foreign.close()
