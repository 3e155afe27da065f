package job

import (
	"bytes"
	"fmt"
	"image"
	_ "image/jpeg" // the pictures that a job takes
	_ "image/png"

	"benchwarden/daemon/record"
)

// LargestPhoto is how many bytes a picture may have.
const LargestPhoto = 20 << 20

// Upload is a picture that comes with an act.
type Upload struct {
	Name string `json:"name"`
	Data []byte `json:"data"`
}

// photos checks pictures by reading their head; what is none is refused with its name.
func photos(uploads []Upload) (pictures []Picture, stored []record.Photo, err error) {
	for _, u := range uploads {
		if len(u.Data) > LargestPhoto {
			return nil, nil, fmt.Errorf("photo %s has %.1f MB, more than the %d MB that a job takes; make it smaller", u.Name, float64(len(u.Data))/(1<<20), LargestPhoto>>20)
		}
		config, format, err := image.DecodeConfig(bytes.NewReader(u.Data))
		if err != nil {
			return nil, nil, fmt.Errorf("photo %s is no JPEG or PNG picture: %w", u.Name, err)
		}
		if config.Width == 0 || config.Height == 0 {
			return nil, nil, fmt.Errorf("photo %s has no size", u.Name)
		}
		p := record.NewPhoto("image/"+format, u.Data)
		pictures = append(pictures, Picture{Name: u.Name, SHA256: p.SHA256, Bytes: len(u.Data)})
		stored = append(stored, p)
	}
	return pictures, stored, nil
}
