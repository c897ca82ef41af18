"""``sillwright page``: the jobsite page, from this laptop to the phones on the same Wi-Fi."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=8080, show_default=True, help="Port to listen on; 0 for any."
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    metavar="ADDRESS",
    help="Address to listen on: this laptop alone, or 0.0.0.0 for phones on the same Wi-Fi.",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 16),
    default=2,
    show_default=True,
    help="Worker processes: the first looks at new photos, the others measure too.",
)
def page(folder: Path, port: int, host: str, workers: int) -> None:
    """Serve the job folders in FOLDER as a page for phones.

    Each job is a folder with a job.toml, and its results go into the folder out in it, so that the page and the
    commands can be mixed. No other host is ever contacted. It ends with Ctrl-C.
    """
    from sillwright.page.serve import serve

    serve(folder, port, host, workers, click.echo)
