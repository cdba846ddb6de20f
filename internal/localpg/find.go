//go:build unix

package localpg

import (
	"context"
	"fmt"
	"os"
	"strings"
)

// places are where step 2 looks.
type places struct {
	path    string   // folders as in PATH
	folders []string // patterns of folders
}

// thisMachine is where PostgreSQL is found on a real machine.
func thisMachine() places { return places{path: os.Getenv("PATH"), folders: usualFolders} }

// findBinaries takes steps 2 and 3 of the ladder. major is the version that the
// cluster's files need, 0 when any will do.
func findBinaries(ctx context.Context, o Options, in places, acct account, major int) (binaries, Step, error) {
	tried := []string{"a given server: PINWRIGHT_DATABASE_URL is not set"}
	if o.Only == "" || o.Only == Installed {
		found, passedOver := installedBinaries(ctx, in.path, in.folders)
		for _, b := range found {
			if major != 0 && b.major != major {
				passedOver = append(passedOver, fmt.Sprintf("%s is version %s, but the cluster's files are of version %d", b.dir, b.version, major))
				continue
			}
			if !acct.canReach(b.dir) {
				passedOver = append(passedOver, fmt.Sprintf("the user %s cannot reach %s", acct.name, b.dir))
				continue
			}
			return b, Installed, nil
		}
		line := fmt.Sprintf("PostgreSQL %d or newer on this machine: none on PATH nor in %s", MinMajor, strings.Join(in.folders, ", "))
		if len(passedOver) > 0 {
			line += "; passed over: " + strings.Join(passedOver, "; ")
		}
		tried = append(tried, line)
	}
	if o.Only == "" || o.Only == Fetched {
		b, err := fetchBinaries(ctx, o, acct, major)
		if err == nil {
			return b, Fetched, nil
		}
		if ctx.Err() != nil {
			return binaries{}, "", ctx.Err()
		}
		tried = append(tried, "fetching binaries: "+err.Error())
	}
	return binaries{}, "", fmt.Errorf("%w. Tried:\n  - %s\nMend it in one of these ways:\n"+
		"  - install it: apt-get install postgresql (Debian 12, Ubuntu 24.04 or newer), dnf install postgresql-server postgresql-contrib, "+
		"apk add postgresql postgresql-contrib, or brew install postgresql@17\n"+
		"  - name a server: PINWRIGHT_DATABASE_URL=postgres://admin:…@localhost:5432/postgres\n"+
		"  - with internet access, start again and let the binaries be fetched", errNothing, strings.Join(tried, "\n  - "))
}
