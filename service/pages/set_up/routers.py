"""The pages of setting up."""

from service.pages.set_up import (
    cameras,
    kit,
    lots,
    messages,
    own_data,
    own_log_in,
    people,
    racks,
    room,
    shelf_camera,
    shelves,
    steps,
    trays,
)

ROUTERS = (
    steps.router,
    room.router,
    racks.router,
    shelves.router,
    trays.router,
    lots.router,
    kit.router,
    shelf_camera.router,
    cameras.router,
    people.router,
    own_log_in.router,
    messages.router,
    own_data.router,
)
