"""Encodes messages of Sparkplug B with the package pysparkplug: JSON lines in, base64 lines out.

A process of its own: the package stands in a folder apart, since it asks for another version of paho-mqtt,
and its copy of the schema would meet ours.
"""

import base64
import json
import sys

sys.path.insert(0, sys.argv[1])

import pysparkplug as spb  # the folder is known only now


def main() -> None:
    for line in sys.stdin:
        asked = json.loads(line)
        metrics = tuple(
            spb.Metric(
                timestamp=one["timestamp"],
                name=one["name"] or None,
                datatype=spb.DataType[one["type"].upper()],
                value=one["value"],
                alias=one["alias"],
                is_historical=one["historical"],
                is_null=one["value"] is None,
            )
            for one in asked["metrics"]
        )
        kind = asked["kind"]
        if kind == "NDEATH":
            made = spb.NDeath(asked["timestamp"], metrics[0])
        else:
            classes = {"NBIRTH": spb.NBirth, "DBIRTH": spb.DBirth, "NDATA": spb.NData, "DDATA": spb.DData}
            if kind == "DDEATH":
                made = spb.DDeath(asked["timestamp"], asked["seq"])
            else:
                made = classes[kind](asked["timestamp"], asked["seq"], metrics)
        sys.stdout.write(base64.b64encode(made.encode()).decode() + "\n")
        sys.stdout.flush()


main()
