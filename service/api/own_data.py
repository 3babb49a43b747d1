"""Paths of the grower's own data: export, backup, retention. All of them are the owner's."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from fastapi.responses import FileResponse, StreamingResponse

from service.archives.backup import Backup
from service.archives.backup_folder import backup_file, backup_files, backup_now
from service.archives.export import export_log
from service.models.own_data import BackupFile, BackupOut, BackupsOut, LetGo, RetentionOut
from service.photos.retention import retain, retention_plan
from service.photos.retention_rule import RetentionPlan
from service.problems import RESPONSES
from service.route_arguments import TheService

router = APIRouter(prefix="/api", tags=["own data"], responses=RESPONSES)

_MOST_LISTED = 1000
_ZIP: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/zip": {}}, "description": "One zip file."}
}


@router.get(
    "/export",
    response_class=StreamingResponse,
    responses=_ZIP,
    summary="All data to take along",
)
def get_export(
    service: TheService,
    photos: Annotated[bool, Query(description="The originals of photos too.")] = False,
    parquet: Annotated[bool, Query(description="Parquet files too.")] = False,
) -> StreamingResponse:
    """CSV, JSON and a manifest; can be read into an empty room again. No passwords are in it."""
    stream = export_log(service, photos=photos, parquet=parquet)
    name = f"trayvision-export-{service.clock():%Y%m%dT%H%M%SZ}.zip"
    return StreamingResponse(
        stream,
        media_type="application/zip",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


@router.post("/backup", status_code=201, summary="Write a backup")
def post_backup(service: TheService) -> BackupOut:
    """The whole room in one file, in the folder of the settings; answers once it was read again."""
    return _backup_out(backup_now(service))


@router.get("/backup", summary="List the backups")
def list_backups(service: TheService) -> BackupsOut:
    """Those made through the API that are still there, the last one first."""
    return BackupsOut(
        backups=[
            BackupFile(name=path.name, size_bytes=path.stat().st_size)
            for path in backup_files(service)
        ]
    )


@router.get(
    "/backup/{name}", response_class=FileResponse, responses=_ZIP, summary="Take a backup along"
)
def get_backup(service: TheService, name: Annotated[str, Path(max_length=60)]) -> FileResponse:
    """It holds passwords' hashes and addresses too: keep it as safe as the room."""
    path = backup_file(service, name)
    return FileResponse(path, media_type="application/zip", filename=path.name)


@router.get("/retention", summary="What the rule would let go")
def get_retention(service: TheService) -> RetentionOut:
    """Changes nothing."""
    return _retention_out(retention_plan(service))


@router.post("/retention", summary="Let go what the rule does not keep")
def post_retention(service: TheService) -> RetentionOut:
    """Only originals of photos; records, measures and thumbnails stay."""
    return _retention_out(retain(service))


def _backup_out(backup: Backup) -> BackupOut:
    return BackupOut(
        name=backup.path.name,
        written_at=backup.written_at,
        size_bytes=backup.size_bytes,
        rows=sum(backup.rows.values()),
        photos=backup.photos,
        missing_originals=backup.missing_originals,
    )


def _retention_out(plan: RetentionPlan) -> RetentionOut:
    listed = [
        LetGo(
            photo_id=one.photo_id,
            taken_at=one.taken_at,
            trays=sorted(one.trays),
            size_bytes=one.size_bytes,
        )
        for one in plan.to_go[:_MOST_LISTED]
    ]
    return RetentionOut(
        rule=plan.rule,
        kept=plan.kept,
        let_go=len(plan.to_go),
        size_bytes=plan.size_bytes,
        photos=listed,
    )
