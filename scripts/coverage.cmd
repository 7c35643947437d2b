@echo off
rem How often the stated intervals hold on simulated scenes; environment.py sets up what it needs.
setlocal
if not defined PYTHON where py >nul 2>nul && set "PYTHON=py"
if not defined PYTHON set "PYTHON=python"
"%PYTHON%" "%~dp0environment.py" coverage %*
exit /b %errorlevel%
