"""The pages of uploads: files go through the same intake as those of the command."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import abort, redirect, request, url_for

from pipeline.desk.pages import here, label, page, who
from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from flask.typing import ResponseReturnValue


def show_upload() -> ResponseReturnValue:
    """Ask for files."""
    desk = here()
    return page(
        "upload.html",
        megabytes=desk.settings.desk_upload_mb,
        files=desk.settings.desk_upload_files,
        running=desk.uploads.running(),
    )


def upload_files() -> ResponseReturnValue:
    """Take files in; the answer is the page that says how far it is."""
    desk = here()
    files = [file for file in request.files.getlist("files") if file.filename]
    most = desk.settings.desk_upload_files
    if not files:
        raise KettlestoneError(label("Choose at least one file. Nothing was imported."))
    if len(files) > most:
        raise KettlestoneError(
            label(
                "{n} files are more than {most} (setting desk_upload_files). Nothing was imported.",
                n=len(files),
                most=most,
            )
        )
    key = desk.uploads.send(files, desk.settings, who())
    return redirect(url_for("upload_progress", key=key))


def show_progress(key: str) -> ResponseReturnValue:
    """Say how far an upload is; the page loads itself again until it is done."""
    upload = here().uploads.get(key)
    if upload is None:
        abort(404, "The desk knows no such upload; look at the batches.")
    return page("progress.html", upload=upload)
