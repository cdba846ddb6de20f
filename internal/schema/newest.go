package schema

import (
	"fmt"
	"io/fs"
	"strconv"
	"strings"
)

// Newest is the greatest number of the migrations in files.
func Newest(files fs.FS) (int, error) {
	names, err := fs.Glob(files, "*.up.sql")
	if err != nil {
		return 0, err
	}
	newest := 0
	for _, name := range names {
		head, _, _ := strings.Cut(name, "_")
		n, err := strconv.Atoi(head)
		if err != nil {
			return 0, fmt.Errorf("migration %s does not begin with a number", name)
		}
		newest = max(newest, n)
	}
	return newest, nil
}
