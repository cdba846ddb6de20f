package localpg

import "context"

// Rung is a step of the ladder that the caller brings, so that the program need
// not carry what only its tests use.
type Rung struct {
	Step Step
	// Start starts a throw-away server with these settings. asked says that
	// this step alone is allowed, so that more may be done for it.
	Start func(ctx context.Context, settings map[string]string, asked bool) (Running, error)
}

// Running is a started server. All its members are set.
type Running struct {
	How      string // one line that says what it is
	AdminURL string // logs in as a superuser; every role logs in without a password
	Done     <-chan struct{}
	Log      func() (string, error) // all until now
	Stop     func(keep bool) error  // called once
	LookAt   string                 // what a person does to look at a kept one
}

func useFurther(ctx context.Context, o Options, asked bool) (*Cluster, error) {
	running, err := o.Further.Start(ctx, serverSettings(true, o.Settings), asked)
	if err != nil {
		return nil, err
	}
	return &Cluster{step: o.Further.Step, how: running.How, adminURL: running.AdminURL, server: &server{Running: running}}, nil
}
