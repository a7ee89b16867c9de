"""Markup of a file read safely: piece by piece, no entity resolved, archives bounded."""

import io
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import IO
from xml.parsers import expat

from reviewkit.errors import MeshError
from reviewkit.intake.raw import Caps, one_line

# Safety caps of the reader, no judgement of the part.
_CHUNK_BYTES = 1 << 20
_ARCHIVE_PARTS = 10_000


@dataclass(frozen=True)
class Handlers:
    """What is called while markup is read; names come as ``uri name`` where namespaces are kept."""

    start: Callable[[str, dict[str, str]], None]
    end: Callable[[str], None] | None = None
    text: Callable[[str], None] | None = None
    namespace: Callable[[str | None, str], None] | None = None


def opened_archive(data: bytes, caps: Caps, format: str) -> zipfile.ZipFile:
    """The ZIP archive that a file is.

    Raises
    ------
    MeshError
        When it is damaged or would unpack to more than the cap.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError):
        raise _damaged(format) from None
    infos = archive.infolist()
    unpacked = sum(info.file_size for info in infos)
    if unpacked > caps.unpacked_bytes or len(infos) > _ARCHIVE_PARTS:
        raise MeshError(
            f"unpacks to {unpacked:,} bytes in {len(infos):,} parts; at most {caps.unpacked_bytes:,} bytes in "
            f"{_ARCHIVE_PARTS:,} parts are read; export it alone and coarser"
        )
    return archive


def read_packed_markup(archive: zipfile.ZipFile, part: zipfile.ZipInfo, format: str, handlers: Handlers) -> None:
    """Feed one part of an archive to its handlers.

    Raises
    ------
    MeshError
        When the part is damaged, encrypted or not well formed.
    """
    try:
        with archive.open(part) as stream:
            read_markup(stream, format, handlers)
    except RuntimeError:
        raise MeshError("is encrypted; send it without a password") from None
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, OSError, EOFError):
        raise _damaged(format) from None


def read_markup(stream: IO[bytes], format: str, handlers: Handlers) -> None:
    """Feed markup to its handlers.

    Raises
    ------
    MeshError
        When it is not well formed or declares a document type.
    """

    def refuse_document_type(*_: object) -> None:
        raise MeshError(f"holds a document type declaration, which no {format} file needs; export it again")

    parser = expat.ParserCreate(namespace_separator=" " if handlers.namespace else None)
    parser.buffer_text = True
    parser.StartElementHandler = handlers.start
    parser.EndElementHandler = handlers.end
    parser.CharacterDataHandler = handlers.text
    parser.StartNamespaceDeclHandler = handlers.namespace
    parser.StartDoctypeDeclHandler = refuse_document_type
    try:
        while piece := stream.read(_CHUNK_BYTES):
            parser.Parse(piece, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise MeshError(f"is damaged: its markup breaks in line {error.lineno}; export it again") from None
    except LookupError as error:
        raise MeshError(f"is written in letters that are not known ({one_line(error)}); export it again") from None


def _damaged(format: str) -> MeshError:
    return MeshError(f"is no whole {format} package (its ZIP archive is damaged); export it again")
