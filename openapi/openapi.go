// Package openapi carries the contract: the parts in parts/ are its source,
// openapi.yaml is what `go generate ./openapi` makes of them.
package openapi

import _ "embed"

//go:generate go run ./bundle
//go:generate go tool oapi-codegen -config server.cfg.yaml openapi.yaml
//go:generate go tool oapi-codegen -config client.cfg.yaml openapi.yaml

// YAML is the whole contract, OpenAPI 3.0.3.
//
//go:embed openapi.yaml
var YAML []byte
