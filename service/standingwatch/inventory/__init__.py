"""The site list: reading, checking and writing it, and making the fleet's columns of it."""

from standingwatch.inventory.check import check_limits
from standingwatch.inventory.columns import COLUMNS, LONGEST_NAME, Column
from standingwatch.inventory.fleet import FleetDefaults, build_fleet
from standingwatch.inventory.read import Inventory, read_inventory, read_inventory_text, write_inventory
from standingwatch.inventory.rows import InventoryRow, feeder_loss_db, loss_behind_coupler_db

__all__ = [
    "COLUMNS",
    "LONGEST_NAME",
    "Column",
    "FleetDefaults",
    "Inventory",
    "InventoryRow",
    "build_fleet",
    "check_limits",
    "feeder_loss_db",
    "loss_behind_coupler_db",
    "read_inventory",
    "read_inventory_text",
    "write_inventory",
]
