"""Where numbers come from: versions, time, texts of materials. Standard library only."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from importlib import metadata


def material_entry(toml: str, source: str, provenance: str) -> dict[str, str]:
    """How a result keeps a material set: its text, the text's SHA-256, publication and mark."""
    digest = hashlib.sha256(toml.encode("utf-8")).hexdigest()
    return {"toml": toml, "sha256": digest, "source": source, "provenance": provenance}


def utc_now() -> str:
    """The time, UTC, ISO 8601, to the second."""
    return datetime.now(UTC).replace(microsecond=0).isoformat()


def current_versions() -> dict[str, str]:
    """Versions of sawfem and of the libraries that its numbers depend on."""
    from sawfem import __version__

    libraries = ("numpy", "scipy", "scikit-fem", "h5py", "scikit-rf", "matplotlib")
    found = {"sawfem": __version__}
    for library in libraries:
        try:
            found[library] = metadata.version(library)
        except metadata.PackageNotFoundError:
            found[library] = "not known"
    return found
