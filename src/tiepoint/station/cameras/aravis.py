"""What this program asks of Aravis (LGPL-2.1-or-later), by ctypes: the library is installed beside it, unchanged.

Names and codes are those of Aravis 0.8's headers (arvbuffer.h, arvenums.h) and of the GenICam pixel format naming
convention (PFNC 2.4).
"""

import ctypes
import ctypes.util
import sys
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tiepoint.foundation.errors import UnusableInput

_PLACES = {
    "linux": ("libaravis-0.8.so.0",),
    "darwin": ("libaravis-0.8.0.dylib", "libaravis-0.8.dylib"),
    "win32": ("libaravis-0.8-0.dll", "aravis-0.8-0.dll"),
}
_CONTINUOUS = 0

STATUSES = {
    1: "its buffer was cleared",
    2: "not all of it came in time",
    3: "packets of it are missing",
    4: "its packets have wrong numbers",
    5: "its size is not that of the buffer",
    6: "it was still being filled",
    7: "it was broken off",
    8: "it is of a kind that cannot be received",
}
"""What is wrong with a buffer of such a status; 0 is a whole one."""

MONO = {0x01080001: 8, 0x01100003: 10, 0x01100005: 12, 0x01100025: 14, 0x01100007: 16}
"""Mono8, Mono10, Mono12, Mono14, Mono16: bits of each."""
RGB8, BGR8 = 0x02180014, 0x02180015

_V, _S, _I, _U, _D = ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.c_uint, ctypes.c_double
_P = ctypes.POINTER(ctypes.c_double)
_FUNCTIONS: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "arv_camera_new": (_V, (_S,)),
    "arv_camera_create_stream": (_V, (_V, _V, _V)),
    "arv_camera_execute_command": (None, (_V, _S)),
    "arv_camera_get_exposure_time": (_D, (_V,)),
    "arv_camera_get_exposure_time_bounds": (None, (_V, _P, _P)),
    "arv_camera_get_gain": (_D, (_V,)),
    "arv_camera_get_gain_bounds": (None, (_V, _P, _P)),
    "arv_camera_get_integer": (ctypes.c_int64, (_V, _S)),
    "arv_camera_get_string": (_S, (_V, _S)),
    "arv_camera_get_payload": (_U, (_V,)),
    "arv_camera_is_feature_available": (_I, (_V, _S)),
    "arv_camera_set_acquisition_mode": (None, (_V, _I)),
    "arv_camera_set_boolean": (None, (_V, _S, _I)),
    "arv_camera_set_exposure_time": (None, (_V, _D)),
    "arv_camera_set_float": (None, (_V, _S, _D)),
    "arv_camera_set_gain": (None, (_V, _D)),
    "arv_camera_set_integer": (None, (_V, _S, ctypes.c_int64)),
    "arv_camera_set_pixel_format_from_string": (None, (_V, _S)),
    "arv_camera_set_string": (None, (_V, _S, _S)),
    "arv_camera_set_trigger": (None, (_V, _S)),
    "arv_camera_software_trigger": (None, (_V,)),
    "arv_camera_start_acquisition": (None, (_V,)),
    "arv_camera_stop_acquisition": (None, (_V,)),
}
"""Those that tell of an error in a last argument."""
_PLAIN: dict[str, tuple[Any, tuple[Any, ...]]] = {
    "arv_buffer_get_data": (_V, (_V, ctypes.POINTER(ctypes.c_size_t))),
    "arv_buffer_get_frame_id": (ctypes.c_uint64, (_V,)),
    "arv_buffer_get_image_height": (_I, (_V,)),
    "arv_buffer_get_image_pixel_format": (ctypes.c_uint32, (_V,)),
    "arv_buffer_get_image_width": (_I, (_V,)),
    "arv_buffer_get_image_x": (_I, (_V,)),
    "arv_buffer_get_image_y": (_I, (_V,)),
    "arv_buffer_get_status": (_I, (_V,)),
    "arv_buffer_new_allocate": (_V, (ctypes.c_size_t,)),
    "arv_camera_is_gv_device": (_I, (_V,)),
    "arv_stream_push_buffer": (None, (_V, _V)),
    "arv_stream_timeout_pop_buffer": (_V, (_V, ctypes.c_uint64)),
}


class _Error(ctypes.Structure):
    """GError of GLib."""

    _fields_ = (("domain", ctypes.c_uint32), ("code", _I), ("message", _S))


@dataclass(frozen=True, slots=True)
class Got:
    """A buffer as it came: what is wrong with it, "" for nothing; its frame number; its pixels where it is whole."""

    lacks: str
    frame_id: int
    pixels: NDArray[Any] | None = None
    bits: int | None = None
    offset: tuple[int, int] = (0, 0)


@cache
def library() -> ctypes.CDLL:
    """Return Aravis; `UnusableInput` where Aravis is not installed."""
    for name in (*_PLACES.get(sys.platform, ()), ctypes.util.find_library("aravis-0.8")):
        with suppress(OSError):
            if name is None:
                continue
            aravis = ctypes.CDLL(name)
            for functions in (_FUNCTIONS, _PLAIN):
                for function, (result, arguments) in functions.items():
                    found = getattr(aravis, function)
                    found.restype = result
                    found.argtypes = [*arguments, *([_V] if functions is _FUNCTIONS else [])]
            # It is loaded with Aravis, and its names are found through it.
            aravis.g_object_unref.argtypes = aravis.g_error_free.argtypes = [_V]
            return aravis
    raise UnusableInput(
        "GenICam cameras need Aravis 0.8, which is not installed; install it (Debian and Ubuntu: libaravis-0.8-0)"
    )


class Device:
    """An opened GenICam camera. Every call raises `UnusableInput` where the camera does not do what it is asked."""

    def __init__(self, device_id: str) -> None:
        self._aravis = library()
        self._stream: int | None = None
        self._camera: int | None = self._call("arv_camera_new", device_id.encode())
        if not self._camera:
            raise UnusableInput(f"no GenICam camera {device_id} is there")

    @property
    def is_gige(self) -> bool:
        """Whether it speaks GigE Vision, whose frame numbers begin with 1."""
        return bool(self._aravis.arv_camera_is_gv_device(self._camera))

    def do(self, function: str, *arguments: Any) -> Any:
        """Call a function of Aravis on the camera."""
        return self._call(function, self._camera, *arguments)

    def has(self, feature: str) -> bool:
        """Whether the camera has a feature."""
        return bool(self.do("arv_camera_is_feature_available", feature.encode()))

    def bounds(self, function: str) -> tuple[float, float]:
        """Return the least and the largest value that the camera takes, by a function that ends in `_bounds`."""
        least, most = _D(), _D()
        self.do(function, ctypes.byref(least), ctypes.byref(most))
        return least.value, most.value

    def set_feature(self, name: str, value: str | int | float | bool) -> None:
        """Set a feature by its GenICam name."""
        if not self.has(name):
            raise UnusableInput(f"the camera has no feature {name}")
        if isinstance(value, bool):
            self.do("arv_camera_set_boolean", name.encode(), value)
        elif isinstance(value, str):
            self.do("arv_camera_set_string", name.encode(), value.encode())
        elif isinstance(value, int):
            self.do("arv_camera_set_integer", name.encode(), value)
        else:
            self.do("arv_camera_set_float", name.encode(), value)

    def begin(self, buffers: int) -> None:
        """Let pictures come, into so many buffers."""
        self.do("arv_camera_set_acquisition_mode", _CONTINUOUS)
        size = self.do("arv_camera_get_payload")
        self._stream = self.do("arv_camera_create_stream", None, None)
        if not self._stream:
            raise UnusableInput("the camera gives no stream of pictures")
        for _ in range(buffers):
            self._aravis.arv_stream_push_buffer(self._stream, self._aravis.arv_buffer_new_allocate(size))
        self.do("arv_camera_start_acquisition")

    def end(self) -> None:
        """Let no more come, and forget those that wait."""
        if self._stream is not None:
            with suppress(UnusableInput):  # of a camera that is lost nothing more can be asked
                self.do("arv_camera_stop_acquisition")
            self._aravis.g_object_unref(self._stream)
            self._stream = None

    def next(self, timeout_s: float) -> Got | None:
        """Return the next buffer; None where none came in time."""
        if self._stream is None:
            return None
        buffer = self._aravis.arv_stream_timeout_pop_buffer(self._stream, int(timeout_s * 1e6))
        if not buffer:
            return None
        try:
            return self._got(buffer)
        finally:
            self._aravis.arv_stream_push_buffer(self._stream, buffer)

    def close(self) -> None:
        """Let go of the camera."""
        self.end()
        if self._camera is not None:
            self._aravis.g_object_unref(self._camera)
            self._camera = None

    def _got(self, buffer: int) -> Got:
        aravis = self._aravis
        status, frame_id = aravis.arv_buffer_get_status(buffer), int(aravis.arv_buffer_get_frame_id(buffer))
        if status != 0:
            return Got(STATUSES.get(status, f"its status is {status}"), frame_id)
        size = ctypes.c_size_t()
        place = aravis.arv_buffer_get_data(buffer, ctypes.byref(size))
        width, height = aravis.arv_buffer_get_image_width(buffer), aravis.arv_buffer_get_image_height(buffer)
        pixels, bits, lacks = plain_pixels(
            ctypes.string_at(place, size.value), width, height, aravis.arv_buffer_get_image_pixel_format(buffer)
        )
        offset = aravis.arv_buffer_get_image_x(buffer), aravis.arv_buffer_get_image_y(buffer)
        return Got(lacks, frame_id, pixels, bits, offset)

    def _call(self, function: str, *arguments: Any) -> Any:
        error = ctypes.POINTER(_Error)()
        result = getattr(self._aravis, function)(*arguments, ctypes.byref(error))
        if error:
            said = (error.contents.message or b"").decode("utf-8", "replace").rstrip(".")
            self._aravis.g_error_free(error)
            raise UnusableInput(f"the camera answered: {said}")
        return result


def plain_pixels(
    data: bytes, width: int, height: int, pixel_format: int
) -> tuple[NDArray[Any] | None, int | None, str]:
    """Return the pixels (rows, cols) or (rows, cols, 3) RGB of a buffer, their bits, and what is wrong, if anything."""
    bits = MONO.get(pixel_format)
    if bits is None and pixel_format not in (RGB8, BGR8):
        return (
            None,
            None,
            f"its pixel format 0x{pixel_format:08X} cannot be read; set pixel_format to Mono8, Mono12 or RGB8",
        )
    kind: type[np.unsignedinteger[Any]] = np.uint8 if bits in (8, None) else np.uint16
    shape = (height, width) if bits else (height, width, 3)
    needed = int(np.prod(shape)) * np.dtype(kind).itemsize
    if len(data) < needed or min(width, height) < 1:
        return None, None, f"it has {len(data)} of {needed} bytes"
    pixels = np.frombuffer(data, np.dtype(kind).newbyteorder("<"), needed // np.dtype(kind).itemsize).reshape(shape)
    if pixel_format == BGR8:
        pixels = pixels[:, :, ::-1]
    return np.ascontiguousarray(pixels, kind), bits or 8, ""
