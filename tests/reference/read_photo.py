"""Reads a picture with Pillow and prints what it carries beside the picture, as JSON.

With --write ORIENTATION FILE TYPE it writes an invented picture with EXIF of every sort instead.
"""

import json
import sys

from PIL import Image, ImageOps
from PIL.PngImagePlugin import PngInfo


def write(orientation, path, kind):
    # Red left half, blue right half, wider than high.
    image = Image.new("RGB", (120, 80), (0, 0, 255))
    image.paste((255, 0, 0), (0, 0, 60, 80))
    exif = image.getexif()
    exif[0x0112] = orientation
    exif[0x010F] = "Invented"
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = "2026:06:01 08:30:00"
    inner[0x9011] = "-04:00"
    place = exif.get_ifd(0x8825)
    place[1], place[2] = "N", (40.0, 30.0, 36.0)
    place[3], place[4] = "W", (75.0, 15.0, 0.0)
    xmp = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>SECRET-XMP</x:xmpmeta>"
    if kind == "JPEG":
        image.save(path, kind, exif=exif, xmp=xmp, comment=b"SECRET-COMMENT", quality=95, progressive=True)
    elif kind == "PNG":
        info = PngInfo()
        info.add_text("Comment", "SECRET-TEXT")
        image.save(path, kind, exif=exif, pnginfo=info)
    else:
        image.save(path, kind, exif=exif, xmp=xmp, lossless=True)


def read(path):
    image = Image.open(path)
    image.load()
    exif = image.getexif()
    upright = ImageOps.exif_transpose(image).convert("RGB")
    width, height = upright.size
    middle = [(width // 2, height // 8), (width // 2, height - 1 - height // 8)]
    print(json.dumps({
        "format": image.format,
        "tags": sorted(exif),
        "orientation": exif.get(0x0112, 1),
        "camera": dict(sorted((str(k), str(v)) for k, v in exif.get_ifd(0x8769).items())),
        "place": {str(k): str(v) for k, v in exif.get_ifd(0x8825).items()},
        "beside": sorted(k for k in image.info if k not in ("jfif", "jfif_version", "jfif_unit", "jfif_density")),
        "size": [width, height],
        "top_and_bottom": [upright.getpixel(p) for p in middle],
    }))


if sys.argv[1] == "--write":
    write(int(sys.argv[2]), sys.argv[3], sys.argv[4])
else:
    read(sys.argv[1])
