"""`edgewright page`: the marking and result page."""

from __future__ import annotations

from pathlib import Path

import click

__all__ = ["page"]

_HELP = """Mark edges on a photo in the browser, and see every size with its ±.

Give a job file or a photo; without either, the page offers the samples, the printed targets, and the jobs and photos of
this folder. The server listens on this machine only, under an address with a random word in it; nobody else can reach
it. Marks are saved to the job file at once. Stop it with Ctrl-C.

\b
Examples
  edgewright page
  edgewright page hatch.jpg
  edgewright page hatch.toml --port 8123 --no-browser
"""


@click.command(help=_HELP, short_help="Mark edges on a photo and see their sizes.")
@click.argument("path", required=False, type=click.Path(path_type=Path), metavar="[JOB.toml | PHOTO]")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0, help="Port on this machine; any free one if left out."
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def page(path: Path | None, port: int, no_browser: bool) -> int:
    from capture.page.server import start_server

    server = start_server(path, port)
    click.echo(f"Marking page: {server.gate.address}\nStop it with Ctrl-C.")
    if not no_browser:
        import webbrowser

        webbrowser.open(server.gate.address)
    try:
        server.serve_forever()
    except KeyboardInterrupt:
        click.echo("Stopped; every mark is saved.")
    finally:
        server.server_close()
    return 0
