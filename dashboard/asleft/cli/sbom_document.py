"""A bill of materials as a CycloneDX 1.6 document (ECMA-424)."""

from __future__ import annotations

import os
import uuid
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from asleft.cli.sbom_installed import Part, Script
from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model import ExternalReference, ExternalReferenceType, HashAlgorithm, HashType, XsUri
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from packageurl import PackageURL

_ASLEFT = uuid.UUID("0a1f8b52-6d0c-4f0e-9f5b-7f1d1c2f3a64")
"""Our own name space for serial numbers: the same parts give the same number."""


def document(
    root: str, parts: Sequence[Part], locked: Mapping[tuple[str, str], Sequence[str]], scripts: Sequence[Script] = ()
) -> str:
    """The document's text. `parts` has the root among them; `locked` is (name, version) -> SHA-256 of its files.

    `scripts` are files of others that come with the root.
    """
    components = {part.name: _component(part, locked.get(part.key, ()), root=root) for part in parts}
    bom = Bom(
        components=[component for name, component in components.items() if name != root],
        serial_number=uuid.uuid5(_ASLEFT, " ".join(f"{part.name}=={part.version}" for part in parts)),
    )
    bom.metadata.component = components[root]
    bom.metadata.timestamp = _moment()
    carried = [_carried(script) for script in scripts]
    for component in carried:
        bom.components.add(component)
    for part in parts:
        needs = [components[name] for name in sorted(part.needs)]
        bom.register_dependency(components[part.name], [*needs, *(carried if part.name == root else [])])
    text: str = JsonV1Dot6(bom).output_as_string(indent=1)
    return text


def _carried(script: Script) -> Component:
    purl = PackageURL("npm", name=script.name, version=script.version)
    return Component(
        name=script.name,
        version=script.version,
        type=ComponentType.LIBRARY,
        bom_ref=purl.to_string(),
        purl=purl,
        licenses=[LicenseFactory().make_from_string(script.licence)],
        hashes=[HashType(alg=HashAlgorithm.SHA_256, content=script.sha256)],
    )


def _component(part: Part, hashes: Sequence[str], *, root: str) -> Component:
    purl = PackageURL("pypi", name=part.name, version=part.version)
    licences = [LicenseFactory().make_from_string(part.licence)] if part.licence else []
    files = [
        ExternalReference(
            type=ExternalReferenceType.DISTRIBUTION,
            url=XsUri(purl.to_string()),
            comment="one of the files the lock allows",
            hashes=[HashType(alg=HashAlgorithm.SHA_256, content=digest)],
        )
        for digest in hashes
    ]
    return Component(
        name=part.name,
        version=part.version,
        type=ComponentType.APPLICATION if part.name == root else ComponentType.LIBRARY,
        bom_ref=purl.to_string(),
        purl=purl,
        description=part.summary or None,
        licenses=licences,
        external_references=files,
    )


def _moment() -> datetime:
    """Now, or what SOURCE_DATE_EPOCH says (reproducible-builds.org)."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    return datetime.fromtimestamp(int(epoch), UTC) if epoch.isascii() and epoch.isdigit() else datetime.now(UTC)
