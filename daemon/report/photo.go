package report

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	_ "image/png" // a job's photos are JPEG or PNG

	"golang.org/x/image/draw"
)

// What a photo is made smaller to, and what is too large to be opened for that.
const (
	longestSide = 1600       // dots
	mostDots    = 80_000_000 // an opened picture takes up to 8 bytes a dot
)

var errTooManyDots = fmt.Errorf("it has more than %d million dots", mostDots/1_000_000)

// printable turns a photo the right way up and makes it small enough for a report, as JPEG. Nothing else of the file goes
// along: not where it was taken, nor with what.
func printable(data []byte) ([]byte, error) {
	config, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	if config.Width > mostDots/max(1, config.Height) {
		return nil, errTooManyDots
	}
	from, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	size := from.Bounds().Size()
	scale := min(1, longestSide/float64(max(size.X, size.Y)))
	small := image.NewRGBA(image.Rect(0, 0, max(1, int(float64(size.X)*scale)), max(1, int(float64(size.Y)*scale))))
	draw.Draw(small, small.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.CatmullRom.Scale(small, small.Bounds(), from, from.Bounds(), draw.Over, nil)
	var out bytes.Buffer
	err = jpeg.Encode(&out, upright(small, orientation(data)), &jpeg.Options{Quality: 85})
	return out.Bytes(), err
}

// upright turns a picture as its camera said; the orientations are those of TIFF 6.0, tag 274, 1 to 8.
func upright(from *image.RGBA, orientation int) *image.RGBA {
	w, h := from.Rect.Dx(), from.Rect.Dy()
	across := orientation >= 5
	to := image.NewRGBA(image.Rect(0, 0, w, h))
	if across {
		to = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	for y := range h {
		for x := range w {
			tx, ty := x, y
			switch orientation {
			case 2:
				tx = w - 1 - x
			case 3:
				tx, ty = w-1-x, h-1-y
			case 4:
				ty = h - 1 - y
			case 5:
				tx, ty = y, x
			case 6:
				tx, ty = h-1-y, x
			case 7:
				tx, ty = h-1-y, w-1-x
			case 8:
				tx, ty = y, w-1-x
			}
			to.SetRGBA(tx, ty, from.RGBAAt(x, y))
		}
	}
	return to
}

var errNoOrientation = errors.New("the file does not say how it was held")

// orientation is how the camera was held, 1 where the file does not say.
func orientation(data []byte) int {
	o, err := readOrientation(data)
	if err != nil || o < 1 || o > 8 {
		return 1
	}
	return o
}

// readOrientation looks for tag 274 in the Exif segment of a JPEG file: segments of marker and length, one of which holds
// "Exif" and a TIFF file.
func readOrientation(data []byte) (int, error) {
	if !bytes.HasPrefix(data, []byte{0xff, 0xd8}) {
		return 0, errNoOrientation
	}
	data = data[2:]
	for len(data) >= 4 && data[0] == 0xff && data[1] != 0xda {
		length := 2 + int(binary.BigEndian.Uint16(data[2:]))
		if length < 4 || length > len(data) {
			return 0, errNoOrientation
		}
		segment := data[4:length]
		if tiff, ok := bytes.CutPrefix(segment, []byte("Exif\x00\x00")); ok && data[1] == 0xe1 {
			return tiffOrientation(tiff)
		}
		data = data[length:]
	}
	return 0, errNoOrientation
}

func tiffOrientation(tiff []byte) (int, error) {
	var order binary.ByteOrder = binary.BigEndian
	if bytes.HasPrefix(tiff, []byte("II")) {
		order = binary.LittleEndian
	}
	if len(tiff) < 8 {
		return 0, errNoOrientation
	}
	at := int64(order.Uint32(tiff[4:]))
	if at+2 > int64(len(tiff)) {
		return 0, errNoOrientation
	}
	entries := tiff[at+2:]
	for range order.Uint16(tiff[at:]) {
		const size, tag, short = 12, 274, 3
		if len(entries) < size {
			break
		}
		if order.Uint16(entries) == tag && order.Uint16(entries[2:]) == short {
			return int(order.Uint16(entries[8:])), nil
		}
		entries = entries[size:]
	}
	return 0, errNoOrientation
}
