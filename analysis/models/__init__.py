"""Regression models: Cox, Fine–Gray, logistic, their Firth forms, dose curves, imputation."""
