"""The house of an attic file: timber, boards and coverings, foil, and everything of metal.

Schema. Builders fill the attic by rule; single pieces are told point by point.

``[house]``
    wood = "spruce", moisture = part of dry mass (0.06 to 0.28), temperature = degrees Celsius: of
    all timber that does not say its own; without = ["timber", "ceiling", "roof", "metal"] or
    "everything": what is known not to be there, so that nobody asks
``[joists]``
    spacing = "600 mm", "16 in"; section = "45 x 195 mm" or "2x8"; direction = "across" or "along"
    the ridge; wood, moisture
``[rafters]``
    spacing; section; wood, moisture
``[ridge_board]``
    section; wood, moisture
``[trusses]``
    spacing; section; wood, moisture; instead of joists and rafters
``[studs]``
    spacing; section; wood, moisture; in both gables
``[ceiling]``
    material; thickness
``[floor]``
    material; thickness
``[roof]``
    covering = "clay tile", "slate", "steel roofing", ...; thickness; wet = true
``[walls]``
    material; thickness; both gables
``[[timber]]``
    name; points = [start, end]; section; heights_from; wood, moisture
``[[sheet]]``
    name; corners = [points]; material; thickness; heights_from
``[[screen]]``
    name; corners; material = "aluminium foil", ...; seams = [[point, point], ...]; heights_from;
    bonded; earthed
``[[duct]]``, ``[[pipe]]``, ``[[gutter]]``, ``[[downpipe]]``
    name; points; size = "200 x 100 mm" or a diameter, "160 mm"; metal; heights_from; bonded;
    earthed; named
``[[tank]]``
    name; points = [bottom, top]; size = a diameter; metal; heights_from; bonded; earthed; named
``[[cable]]``
    name; points; wire = "1.5 mm2 copper, PVC"; cores; heights_from; bonded; earthed; named

For metal: bonded = ["name of a wire or piece", ...] joins it to them where they are nearest;
earthed = true or {rod = "1.5 m"} or {impedance = ohms} leads its lowest end into the earth;
named = {breaker = "start", thermostat = "4.2 m", alarm = "end"} are places to report on.
"""
