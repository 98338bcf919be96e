"""A checker for the part of JSON Schema that the project's own schemas use."""

_TYPES = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "null": type(None),
}
_KNOWN = {
    "$schema",
    "additionalProperties",
    "anyOf",
    "const",
    "description",
    "items",
    "maxItems",
    "minItems",
    "properties",
    "required",
    "title",
    "type",
}


def _is(value, name):
    if name == "number":
        return isinstance(value, int | float) and not isinstance(value, bool)
    return isinstance(value, _TYPES[name])


def violations(value, schema, place="$"):
    """Texts of everything in ``value`` that the schema forbids."""
    unknown = set(schema) - _KNOWN
    assert not unknown, f"{place}: the checker does not know {unknown}"
    found = []
    if "const" in schema and value != schema["const"]:
        found.append(f"{place}: {value!r} is not {schema['const']!r}")
    if "anyOf" in schema:
        options = [violations(value, option, place) for option in schema["anyOf"]]
        if all(options):
            found.extend(min(options, key=len))
    if "type" in schema:
        names = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
        if not any(_is(value, name) for name in names):
            found.append(f"{place}: {value!r} is no {' or '.join(names)}")
    if isinstance(value, dict):
        properties = schema.get("properties", {})
        found += [
            f"{place}: {key} is missing" for key in schema.get("required", ()) if key not in value
        ]
        more = schema.get("additionalProperties", True)
        for key, item in value.items():
            if key in properties:
                found += violations(item, properties[key], f"{place}.{key}")
            elif more is False:
                found.append(f"{place}: {key} is not allowed")
            elif more is not True:
                found += violations(item, more, f"{place}.{key}")
    if isinstance(value, list):
        if not schema.get("minItems", 0) <= len(value) <= schema.get("maxItems", len(value)):
            found.append(f"{place}: {len(value)} items")
        for number, item in enumerate(value):
            found += violations(item, schema.get("items", {}), f"{place}[{number}]")
    return found
