"""The pages of setting up."""

from service.pages.set_up import kit, lots, racks, room, shelf_camera, shelves, steps, trays

ROUTERS = (
    steps.router,
    room.router,
    racks.router,
    shelves.router,
    trays.router,
    lots.router,
    kit.router,
    shelf_camera.router,
)
