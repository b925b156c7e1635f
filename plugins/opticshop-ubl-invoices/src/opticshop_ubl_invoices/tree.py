"""XML trees in the three namespaces of a UBL document."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from decimal import Decimal

_PARTS = "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2"
_TEXTS = "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2"
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that no XML 1.0 document may hold."""


@dataclass(frozen=True, slots=True)
class Tree:
    """An element that is being filled from top to bottom. Texts that are empty are left out (BR: no empty element)."""

    element: ET.Element

    @classmethod
    def rooted(cls, name: str, namespace: str) -> Tree:
        """The document's own names have no prefix, parts have `cac` and texts `cbc`, as is usual."""
        root = ET.Element(name, {"xmlns": namespace, "xmlns:cac": _PARTS, "xmlns:cbc": _TEXTS})
        return cls(root)

    def part(self, name: str) -> Tree:
        return Tree(ET.SubElement(self.element, f"cac:{name}"))

    def text(self, name: str, value: str, **attributes: str) -> None:
        clean = _NOT_XML.sub(" ", value).strip()
        if clean:
            ET.SubElement(self.element, f"cbc:{name}", attributes).text = clean

    def amount(self, name: str, value: Decimal, currency: str) -> None:
        self.text(name, f"{value:f}", currencyID=currency)

    def written(self) -> bytes:
        ET.indent(self.element)
        return ET.tostring(self.element, encoding="utf-8", xml_declaration=True) + b"\n"
