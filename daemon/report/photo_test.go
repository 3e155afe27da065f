package report_test

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"benchwarden/daemon/record"
	"benchwarden/daemon/report"
)

// album is a shelf with another photo.
type album struct {
	shelf
	kind string
	data []byte
}

func (a album) Photo(_ context.Context, sha string) (record.Photo, error) {
	return record.Photo{SHA256: sha, Type: a.kind, Data: a.data}, nil
}

// held is a JPEG picture, its upper left quarter black, with what a camera says of how it was held.
func held(t *testing.T, orientation uint16) []byte {
	t.Helper()
	picture := image.NewGray(image.Rect(0, 0, 64, 32))
	for y := range 32 {
		for x := range 64 {
			if x >= 32 || y >= 16 {
				picture.SetGray(x, y, color.Gray{255})
			}
		}
	}
	var plain, file bytes.Buffer
	require.NoError(t, jpeg.Encode(&plain, picture, nil))
	tiff := []byte("II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00")
	tiff = binary.LittleEndian.AppendUint32(tiff, uint32(orientation))
	segment := append([]byte("Exif\x00\x00"), tiff...)
	file.Write([]byte{0xff, 0xd8, 0xff, 0xe1})
	file.Write(binary.BigEndian.AppendUint16(nil, uint16(2+len(segment))))
	file.Write(segment)
	file.Write(plain.Bytes()[2:])
	return file.Bytes()
}

var embedded = regexp.MustCompile(`src="data:image/jpeg;base64,([^"]+)"`)

// The orientations stand in TIFF 6.0 (1992), tag 274: which side of the scene the first row and the first column show.
func TestAPhotoStandsUpright(t *testing.T) {
	for _, tt := range []struct {
		name        string
		orientation uint16
		size        image.Point
		black       image.Point // the middle of the quarter that is black
	}{
		{"as it is", 1, image.Pt(64, 32), image.Pt(16, 8)},
		{"mirrored", 2, image.Pt(64, 32), image.Pt(48, 8)},
		{"first row at the bottom, first column on the right", 3, image.Pt(64, 32), image.Pt(48, 24)},
		{"first row at the bottom", 4, image.Pt(64, 32), image.Pt(16, 24)},
		{"first row on the left", 5, image.Pt(32, 64), image.Pt(8, 16)},
		{"first row on the right", 6, image.Pt(32, 64), image.Pt(24, 16)},
		{"first row on the right, first column at the bottom", 7, image.Pt(32, 64), image.Pt(24, 48)},
		{"first row on the left, first column at the bottom", 8, image.Pt(32, 64), image.Pt(8, 48)},
		{"nonsense is as it is", 99, image.Pt(64, 32), image.Pt(16, 8)},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, err := report.OfJob(t.Context(), state(), album{kind: "image/jpeg", data: held(t, tt.orientation)}, options)
			require.NoError(t, err)
			found := embedded.FindStringSubmatch(html(t, d))
			require.NotNil(t, found)
			data, err := base64.StdEncoding.DecodeString(strings.ReplaceAll(found[1], "&#43;", "+"))
			require.NoError(t, err)
			require.NotContains(t, string(data), "Exif", "what else the camera wrote stays in the record")
			shown, err := jpeg.Decode(bytes.NewReader(data))
			require.NoError(t, err)
			require.Equal(t, tt.size, shown.Bounds().Size())
			r, _, _, _ := shown.At(tt.black.X, tt.black.Y).RGBA()
			require.Less(t, r, uint32(0x4000))
			r, _, _, _ = shown.At(tt.size.X-tt.black.X, tt.black.Y).RGBA()
			require.Greater(t, r, uint32(0xc000))
		})
	}
}

func TestPhotosOfEveryKindAreDrawnOrSaidToBeMissing(t *testing.T) {
	encoded := func(m image.Image) []byte {
		var b bytes.Buffer
		require.NoError(t, png.Encode(&b, m))
		return b.Bytes()
	}
	for _, tt := range []struct {
		name, kind string
		data       []byte
		says       string
	}{
		{"16 bits a colour, see-through", "image/png", encoded(image.NewNRGBA64(image.Rect(0, 0, 30, 30))), "bridge.png (entry 4"},
		{"larger than a page", "image/png", encoded(image.NewGray(image.Rect(0, 0, 3000, 100))), "bridge.png (entry 4"},
		{"torn", "image/png", encoded(image.NewGray(image.Rect(0, 0, 30, 30)))[:60], "which cannot be printed"},
		{"more dots than memory", "image/png", huge(), "more than 80 million dots"},
		{"no picture", "image/jpeg", []byte("hello"), "which cannot be printed"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d, err := report.OfJob(t.Context(), state(), album{kind: tt.kind, data: tt.data}, options)
			require.NoError(t, err)
			page := html(t, d)
			require.Contains(t, page, tt.says)
			require.Contains(t, page, "photo bridge.png")
			require.NotEmpty(t, pdf(t, d, report.A4))
		})
	}
}

// huge is the head of a PNG file of 60,000 by 60,000 dots.
func huge() []byte {
	chunk := []byte("IHDR\x00\x00\xea\x60\x00\x00\xea\x60\x08\x00\x00\x00\x00")
	file := append([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0d"), chunk...)
	return binary.BigEndian.AppendUint32(file, crc32.ChecksumIEEE(chunk))
}

func FuzzPhoto(f *testing.F) {
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x10Exif\x00\x00II*\x00\xff\xff\xff\xff"))
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x10Exif\x00\x00MM\x00*\x00\x00\x00\x08"))
	f.Add(huge())
	f.Fuzz(func(t *testing.T, data []byte) {
		if c, _, err := image.DecodeConfig(bytes.NewReader(data)); err == nil && c.Width*c.Height > 1<<20 {
			return // it may be right, and is slow
		}
		_, err := report.OfJob(t.Context(), state(), album{kind: "image/jpeg", data: data}, options)
		require.NoError(t, err, "a bad picture keeps nobody from his report")
	})
}
