package arrows_test

// Reports stand behind all the rest: they read what others keep, and nobody reads them.
func init() { domain = append(domain, "reports") }
