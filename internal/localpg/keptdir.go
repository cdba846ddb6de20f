package localpg

import (
	"fmt"
	"os"
	"path/filepath"
)

// KeptDir is where a kept cluster of that name belongs when nobody says
// otherwise: in the user's home, but for root, whose home is closed to the
// server's own user, in /var/lib.
func KeptDir(name string) (string, error) {
	if os.Geteuid() == 0 {
		return filepath.Join("/var/lib/pinwright", name), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no home folder to keep a cluster in (name a folder for it with PINWRIGHT_DATA_DIR): %w", err)
	}
	return filepath.Join(home, ".local", "share", "pinwright", name), nil
}
