// Package survival tells from tools' lives, ended or not, how long such tools
// last: how many are left after so many uses, and after how many the next fails.
//
// # Words
//
// A life is counted in uses, hours or any other measure that only grows. It was
// watched from Entered on (0: from its beginning; later: a tool bought used, or
// a record begun late, of which nothing is known but that it had not failed by
// then: left truncation). It ended within (From, Until]: at From = Until where the failure
// was seen, between two inspections where it was found at the second (interval censoring), or
// not yet (Until is infinite: right censoring). Losing a tool or selling it is
// no failure, so such a life is censored there; that holds while what removes tools
// has nothing to do with how near to failing they are.
//
// # What is estimated
//
// Without an assumed law: the product-limit estimate of the share that survives (E. L. Kaplan,
// P. Meier, J. Amer. Statist. Assoc. 53 (1958) 457), with the risk set of each moment
// made of those that were watched then. Its variance is Greenwood's (The Natural Duration of
// Cancer, 1926), its interval is symmetric in log(-log S) (J. D. Kalbfleisch,
// R. L. Prentice, The Statistical Analysis of Failure Time Data), so that it stays within
// 0 and 1. Lives that ended between two inspections make it Turnbull's
// self-consistent estimate (B. W. Turnbull, J. R. Statist. Soc. B 38 (1976) 290), which
// says of whole stretches only how much ended within them.
//
// By a law: the Weibull law S(t) = exp(-(t/scale)^shape), by maximum likelihood from
// all kinds of lives at once, from five failures on (Few below that: a shape from
// three failures says more about chance than about the tool). Intervals are those of the
// likelihood ratio, which stay honest with few failures better than those of the curvature
// (W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data, ch. 8);
// they are still approximate, and with five failures somewhat too narrow.
//
// # What it does not do
//
// It does not compare groups, knows no covariates (such as who used a tool) and no
// mixture of early and late failures: a shape fitted over two causes of failure describes neither.
package survival
