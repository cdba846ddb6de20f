package api

import (
	"fmt"

	qr "github.com/piglig/go-qr"
)

// qrSVG is text as a QR code (ISO/IEC 18004) in an SVG image, with the quiet
// zone of four modules that the standard asks for. Error correction Medium
// bears a scratched screen. The library's border is in the image's units, not in
// modules.
func qrSVG(text string) (string, error) {
	code, err := qr.EncodeText(text, qr.Medium)
	if err != nil {
		return "", fmt.Errorf("QR code: %w", err)
	}
	const module = 4
	const quiet = 4 * module
	svg, err := code.ToSVGBytes(qr.NewQrCodeImgConfig(module, quiet, qr.WithOptimalSVG()))
	if err != nil {
		return "", fmt.Errorf("QR code: %w", err)
	}
	return string(svg), nil
}
