"""Names for the choices in the OpenAPI document, so that generated clients name their types and not count them."""

from typing import Any

__all__ = ["name_choices"]


def name_choices(schema: dict[str, Any]) -> None:
    """Move every list of choices that stands in a property into a component of its own, in place.

    It is named by its component and the property: `TimeUnit` of `Mapping` is `MappingTimeUnit`. Constants tell
    components apart, and stay.

    Raises
    ------
    ValueError
        If a component has such a name already.
    """
    components = schema["components"]["schemas"]
    named: dict[str, Any] = {}
    for component, content in components.items():
        for field, described in content.get("properties", {}).items():
            for place in (described, *described.get("anyOf", ())):
                if "enum" in place:
                    name = component + "".join(part.capitalize() for part in field.split("_"))
                    named[name] = {"title": name, "type": place.pop("type"), "enum": place.pop("enum")}
                    place.pop("maxLength", None)  # says nothing beside the choices, and asks for one more type
                    place["$ref"] = f"#/components/schemas/{name}"
    taken = named.keys() & components.keys()
    if taken:
        raise ValueError(f"A component has the name of a list of choices: {sorted(taken)}")
    components.update(named)
