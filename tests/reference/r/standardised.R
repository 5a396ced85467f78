# Directly standardised curves of lung by sex: mean prediction of a Cox model stratified by sex over
# the covariates of everybody; and of mgus2 (every fourth row) with death competing, put together
# from survfit's cumulative hazards of a Cox model a cause.
# Rscript standardised.R > standardised.json
suppressMessages({library(survival); library(jsonlite)})
data <- na.omit(lung[, c("time", "status", "age", "ph.ecog", "sex")])
fit <- coxph(Surv(time, status == 2) ~ age + ph.ecog + strata(sex), data)
at <- c(100, 180, 365, 700)
one <- function(sex) {
  rows <- data; rows$sex <- sex
  rowMeans(sapply(seq_len(nrow(rows)), function(i) {
    s <- survfit(fit, newdata = rows[i, ], se.fit = FALSE)
    summary(s, times = at)$surv }))
}
late <- subset(mgus2, !is.na(age) & !is.na(hgb))
late$first <- with(late, ifelse(pstat == 1, ptime, futime))
late$event <- with(late, ifelse(pstat == 1, 1, 2 * death))
late <- late[seq(1, nrow(late), 4), ]
first <- coxph(Surv(first, event == 1) ~ age + hgb + strata(sex), late)
second <- coxph(Surv(first, event == 2) ~ age + hgb + strata(sex), late)
when <- c(60, 120, 240)
incidence <- function(sex) {
  rows <- late; rows$sex <- factor(sex, levels(late$sex))
  rowMeans(sapply(seq_len(nrow(rows)), function(i) {
    s <- survfit(first, newdata = rows[i, ], se.fit = FALSE)
    other <- survfit(second, newdata = rows[i, ], se.fit = FALSE)
    stopifnot(identical(s$time, other$time))
    one <- diff(c(0, s$cumhaz)); all <- one + diff(c(0, other$cumhaz))
    before <- exp(-c(0, cumsum(all)[-length(all)]))
    curve <- cumsum(before * ifelse(all > 0, -expm1(-all) * one / all, 0))
    c(0, curve)[findInterval(when, s$time) + 1] }))
}
cat(toJSON(list(
  versions = list(R = R.version.string, survival = as.character(packageVersion("survival"))),
  lung = list(n = nrow(data), at = at, coef = unname(coef(fit)), male = one(1), female = one(2)),
  mgus2 = list(n = nrow(late), at = when, coef = unname(coef(first)),
               F = incidence("F"), M = incidence("M"))),
  digits = 15, auto_unbox = TRUE, pretty = TRUE))
