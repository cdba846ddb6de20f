// Package leadtime tells how many days an order takes to arrive, from what the
// same supplier took before.
//
// # The law
//
// The logarithm of a delivery's days is normal, of unknown mean and unknown
// variance: days are positive, late ones are later than early ones are early.
// What is believed before any delivery is a Prior, conjugate to that law:
//
//	log days | μ, σ² ~ N(μ, σ²),   μ | σ² ~ N(m, σ²/k),   σ² ~ inverse gamma(a, b)
//
// (Gelman et al., Bayesian Data Analysis, 3rd ed., 3.3; Murphy, Conjugate Bayesian
// analysis of the Gaussian distribution, 2007, section 6, where the same is
// parametrized by a and b.) With n deliveries, their mean x and sum of squares S about it,
//
//	k' = k + n,  m' = (k m + n x)/k',  a' = a + n/2,  b' = b + S/2 + k n (x - m)²/(2 k')
//
// and the next delivery's log days follow a Student t of 2a' degrees of freedom about m'
// with scale sqrt(b' (k' + 1)/(a' k')).
//
// # Whole days
//
// Days are whole calendar days, the day of ordering not counted. What came on
// the day it was ordered took half a day, since zero has no logarithm: between
// that and the next day lies the same step as from one day to two. Answers are whole days
// too: the first day by which it is here with at least the probability asked for,
// where d whole days reach from d - 1/2 to d + 1/2.
//
// # What is still open
//
// An order that is not here after c days says that it takes at least c: it may
// still come today. It counts with the probability of taking longer than c - 1/2 days,
// which is where c whole days begin. That breaks conjugacy, so with open orders
// the conjugate posterior of those that came is integrated numerically, each
// pair of mean and variance weighed by how likely the open ones are under it
// (Klein and Moeschberger, Survival Analysis, 2nd ed., 3.5: the likelihood of right-
// censored times). Leaving open orders out would learn from the quick ones only.
// An order that was cancelled counts as open until the day of that: why somebody cancels is
// taken to say nothing of how much longer it would have taken.
//
// # What it does not do
//
// It knows no weekends and holidays, and takes a supplier to stay as quick as it
// was: deliveries long past count like yesterday's. Whoever asks bounds how far it looks
// back.
package leadtime
